"""How well the statistics do on trials and experiments with known truth.

    python tests/benchmarks/statistics series [--count N] [--seed N] [--quick] [--show FAMILY INDEX]
    python tests/benchmarks/statistics experiments [--count N] [--seed N] [--quick]
    python tests/benchmarks/statistics history [--count N] [--seed N] [--quick]
    python tests/benchmarks/statistics runs [--count N] [--seed N] [--quick]

Prints each figure beside its target, then a table per family. The exit status is always 0: it is a benchmark.
"""

from __future__ import annotations

import importlib
import sys

PARTS = {
    "series": "one trial: warm-up, steady state, interval, early stop",
    "experiments": "between trials: two cells, scans, the shape that is recommended",
    "history": "a cell through many runs: steps and drifts, named or missed",
    "runs": "between runs: one a side, and a base of several",
}
#: Modules that are not named ``score_`` and the part.
MODULES = {"runs": "between_runs"}


def main(arguments: list[str]) -> int:
    """Hand on to the part that the first argument names; each has a ``--help`` of its own."""
    if not arguments or arguments[0] not in PARTS:
        print(__doc__)
        print("\n".join(f"{part:12} {about}" for part, about in PARTS.items()))
        return 0
    # Imported here: either part runs while the other is being changed.
    module = MODULES.get(arguments[0], f"score_{arguments[0]}")
    return int(importlib.import_module(module).main(arguments[1:]) or 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
