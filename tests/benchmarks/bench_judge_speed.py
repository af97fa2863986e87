"""Judging 24 cells x 12 blocks against the linear algebra it rests on: ratios from one process.

    python tests/benchmarks/bench_judge_speed.py [--quick]

The unit is NumPy's least squares on the same block design (288 readings, 36 columns), measured in the same run, on one
CPU. Judging must take less than a second of it; what it costs is the 84 and more comparisons, the joint distribution
that their intervals come from (kept once computed: hence first time and again), and numbers of further blocks. A look
at a run that ends as soon as it decides needs the levels of its looks besides.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace

# Before NumPy is loaded: several threads for matrices as small as these cost more than they save.
for library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")

import numpy as np  # noqa: E402

from orchestrator.core.verdict.cells import Observation  # noqa: E402
from orchestrator.core.verdict.evidence import Evidence  # noqa: E402
from orchestrator.core.verdict.inference.sequential import looks  # noqa: E402
from orchestrator.core.verdict.rule import Rule  # noqa: E402
from orchestrator.core.verdict.stopping import enough_blocks  # noqa: E402
from orchestrator.core.verdict.verdict import verdict  # noqa: E402

SHAPES, THREADS, BLOCKS = (1, 2, 3, 4, 6, 8, 12, 16), (1, 2, 4), 12
GIB = 2**30
SECONDS_AT_MOST = 1.0
#: After so many blocks a run that ends as soon as it decides is looked at.
LOOKS = looks(3, 12)


def scan(blocks: int) -> tuple[Observation, ...]:
    """Eight shapes x three thread counts of the bookings database, between-trial sd 1 %."""
    rng = np.random.default_rng(4)
    found = []
    for block in range(1, blocks + 1):
        shared = 0.02 * rng.standard_normal()
        for vcpus in SHAPES:
            for threads in THREADS:
                at_work = min(vcpus, threads)
                rate = 100 * at_work / (1 + 0.05 * (at_work - 1)) * (1 - 0.004 * max(0, vcpus - threads))
                seen = float(rate * np.exp(shared + 0.01 * rng.standard_normal()))
                found.append(Observation(f"v{vcpus}", vcpus, vcpus * GIB, "bookings", threads, block, seen))
    return tuple(found)


def least_squares(observations: tuple[Observation, ...]) -> Callable[[], object]:
    """Cells and blocks fitted to the logs, once."""
    cells = sorted({(o.shape, o.threads) for o in observations})
    blocks = max(o.block or 0 for o in observations)
    design = np.zeros((len(observations), len(cells) + blocks))
    for row, seen in enumerate(observations):
        design[row, [cells.index((seen.shape, seen.threads)), len(cells) + (seen.block or 0) - 1]] = 1
    logs = np.log([o.throughput_per_s for o in observations])
    return lambda: np.linalg.lstsq(design, logs, rcond=None)


def median_s(action: Callable[[], object], repeats: int) -> float:
    action()
    times: list[float] = []
    for _ in range(repeats):
        began = time.process_time()
        action()
        times.append(time.process_time() - began)
    return statistics.median(times)


def first_s(action: Callable[[], object]) -> float:
    began = time.process_time()
    action()
    return time.process_time() - began


def main() -> None:
    repeats = 5 if "--quick" in sys.argv[1:] else 25
    observations = scan(BLOCKS)
    evidence, rule = Evidence(observations), Rule()
    cold = first_s(lambda: verdict(evidence, rule))
    unit = median_s(least_squares(observations), repeats)
    judged = median_s(lambda: verdict(evidence, rule), repeats)
    few = Evidence(scan(3))
    three = median_s(lambda: verdict(few, rule), repeats)
    look = first_s(lambda: enough_blocks(Evidence(scan(4)), rule, LOOKS))
    looked = first_s(lambda: verdict(Evidence(scan(4)), replace(rule, looks=LOOKS)))
    print(f"least squares of 24 cells x {BLOCKS} blocks   {unit * 1000:8.2f} ms      1.0")
    for what, seconds in (
        (f"24 cells x {BLOCKS} blocks, first time", cold),
        (f"24 cells x {BLOCKS} blocks, again", judged),
        ("24 cells x 3 blocks", three),
        ("24 cells x 4 blocks, first look", look),
        ("24 cells x 4 blocks, verdict on it", looked),
    ):
        print(f"{what:<38} {seconds * 1000:8.2f} ms   {seconds / unit:6.1f}")
    worst = max(cold, judged, three, look, looked)
    assert worst < SECONDS_AT_MOST, f"judging took {worst:.2f} s; {SECONDS_AT_MOST:g} s is what it may take"


if __name__ == "__main__":
    main()
