"""How much longer ``trialbed --help`` takes than an interpreter that does nothing: a ratio of medians in one run.

python tests/benchmarks/bench_startup.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time


def seconds(arguments: list[str], rounds: int) -> float:
    """Median wall time of a command."""
    taken = []
    for _ in range(rounds):
        began = time.perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - began)
    return statistics.median(taken)


def main() -> None:
    """Measure both, alternately warmed, and print the ratio."""
    rounds = 5 if "--quick" in sys.argv[1:] else 21
    bare = seconds(["-c", "pass"], rounds)
    shown = seconds(["-m", "orchestrator", "--help"], rounds)
    print(f"startup: --help {shown * 1000:.0f} ms, python -c pass {bare * 1000:.0f} ms, ratio {shown / bare:.1f}")


if __name__ == "__main__":
    main()
