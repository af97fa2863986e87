"""Observations of the ferry line's bookings database, made up with known truth, for the tests of the verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from hypothesis import strategies as st

from orchestrator.core.verdict.cells import UNKNOWN, Observation, Shares
from orchestrator.core.verdict.evidence import Evidence

VCPUS = {"one": 1, "two": 2, "four": 4, "eight": 8}
GIB = 2**30

Truth = Mapping[tuple[str, int], float]


def observe(
    shape: str,
    threads: int,
    throughput: float,
    block: int | None = 1,
    *,
    workload: str = "bookings",
    memory: int | None = GIB,
    shares: Shares = UNKNOWN,
    per_vcpu: tuple[Shares, ...] = (),
    cost: float | None = None,
) -> Observation:
    """One trial of a shape whose name tells its vCPUs."""
    return Observation(shape, VCPUS[shape], memory, workload, threads, block, throughput, shares, per_vcpu, cost)


def blocks(truth: Truth, *, k: int, sd: float, block_sd: float = 0.0, seed: int = 1) -> list[Observation]:
    """``k`` blocks of trials: lognormal scatter ``sd`` within a block, ``block_sd`` shared by all of a block."""
    rng = np.random.default_rng(seed)
    found = []
    for block in range(1, k + 1):
        shared = rng.normal(0, block_sd) if block_sd else 0.0
        for (shape, threads), mean in truth.items():
            found.append(observe(shape, threads, mean * math.exp(shared + rng.normal(0, sd)), block))
    return found


def evidence(observations: Sequence[Observation], *remarks: str) -> Evidence:
    return Evidence(tuple(observations), remarks=remarks)


#: Readings as practitioners take them by hand (common practice, no published source).
BY_HAND = (
    Observation("one", 1, None, "load", 1, 1, 2400 / 60, Shares(run=0.62, wait=0.10, idle=0.36)),
    Observation("two", 2, None, "load", 1, 1, 1470 / 60),
    Observation("two", 2, None, "load", 2, 1, 2500 / 60),
)


@st.composite
def experiments(draw: st.DrawFn, *, least_blocks: int = 1) -> list[Observation]:
    """Whole experiments: one to three shapes, one to three thread counts, some cells missing, any scatter."""
    shapes = draw(st.lists(st.sampled_from(sorted(VCPUS)), min_size=1, max_size=3, unique=True))
    threads = draw(st.lists(st.integers(1, 8), min_size=1, max_size=3, unique=True))
    every = [(shape, count) for shape in shapes for count in threads]
    cells = draw(st.lists(st.sampled_from(every), min_size=1, max_size=len(every), unique=True))
    k = draw(st.integers(least_blocks, 5))
    rate = st.floats(1e-3, 1e6, allow_nan=False, allow_infinity=False)
    return [observe(s, t, draw(rate), block) for s, t in cells for block in range(1, k + 1)]
