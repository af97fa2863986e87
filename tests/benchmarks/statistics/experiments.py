"""Experiments with known truth: two cells or a scan of shapes and threads, in complete blocks.

Every figure that a trial gives is

    log(throughput) = log(truth of the cell) + effect of the block + luck of the trial + error within the trial

The luck is what a fresh start of the guest makes different (between-trial sd .3-3 %, sometimes heavy-tailed, sometimes
larger in one cell); the error within the trial and its length in seconds come from a bank of trials
(:mod:`trial_bank`). The ranges are those of measured systems in use (common practice, no published source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.verdict.cells import Observation

GIB = 2**30

Key: TypeAlias = tuple[str, int, str]
Floats: TypeAlias = NDArray[np.float64]

#: Between-trial sd of the log, and effects of blocks.
SMALLEST_SD, LARGEST_SD, LARGEST_BLOCK_SD = 0.003, 0.03, 0.03
#: True ratios of two cells: the half above 1; their inverses are drawn as often.
RATIOS = (1.0, 1.02, 1.05, 1.1)
#: Sizes and loads that scans draw from.
VCPUS = (1, 2, 3, 4, 6, 8, 12, 16)
THREADS = (1, 2, 4, 8, 16)
MOST_CELLS = 24
#: What the recommendation is scored at.
MARGIN = 0.03

#: ``capacity``: throughput from a capacity curve. ``plateau``: the same, but all shapes that suffice are equal to the
#: last digit. ``near margin``: one shape is behind the best by nearly the margin. ``steps``: shapes differ by 0-10 %.
#: ``equal``: all cells are equal.
SCANS = ("capacity", "plateau", "near margin", "steps", "equal")


class Bank(Protocol):
    """Where the length of trials and their errors come from."""

    def draw(self, rng: np.random.Generator, trials: int, /) -> tuple[Floats, Floats]:
        """Seconds from launch to stop, and the relative error of the steady mean, of so many trials."""


@dataclass(frozen=True)
class Perfect:
    """Trials without an error of their own, all of one length."""

    seconds: float = 600.0

    def draw(self, _rng: np.random.Generator, trials: int) -> tuple[Floats, Floats]:
        """See :class:`Bank`; nothing is drawn."""
        return np.full(trials, self.seconds), np.zeros(trials)


@dataclass(frozen=True)
class Experiment:
    """One experiment.

    Attributes:
        observations: block by block, each block in random order.
        truth: workload, threads, shape to true throughput, operations per second.
        sd: between-trial sd of the log; where cells differ, the median over the cells.
        kind: what it was made for.
        seconds: length of each observation's trial.
        largest_sd: of any cell.
        scatter: ``alike``, ``one cell more`` or ``each its own``: the sds of the cells.
        block_sd: sd of the effects of the blocks.
        heavy: whether the luck of trials is heavy-tailed.
    """

    observations: tuple[Observation, ...]
    truth: dict[Key, float]
    sd: float
    kind: str
    seconds: tuple[float, ...] = ()
    largest_sd: float = 0.0
    scatter: str = "alike"
    block_sd: float = 0.0
    heavy: bool = False

    @property
    def blocks(self) -> int:
        """How many there are."""
        return len({o.block for o in self.observations})

    def first(self, blocks: int) -> Experiment:
        """The experiment as it was after its first blocks."""
        kept = [i for i, o in enumerate(self.observations) if o.block is not None and o.block <= blocks]
        observations = tuple(self.observations[i] for i in kept)
        seconds = tuple(self.seconds[i] for i in kept)
        return replace(self, observations=observations, seconds=seconds)


def two_cells(
    rng: np.random.Generator,
    ratio: float,
    sd: float,
    blocks: int,
    block_sd: float,
    *,
    uneven: float = 1.0,
    heavy: bool = False,
    bank: Bank | None = None,
) -> Experiment:
    """Two shapes under one load; the larger has ``ratio`` times the smaller one's throughput.

    Args:
        rng: where luck comes from.
        ratio: new over base.
        sd: between-trial sd of the log of the base.
        blocks: how many.
        block_sd: sd of their effects.
        uneven: the larger shape's sd over ``sd``.
        heavy: Student's t with 4 degrees of freedom, scaled to the same sd, instead of the normal distribution.
        bank: of trials; without it they are perfect.
    """
    base = float(np.exp(rng.uniform(math.log(10), math.log(10_000))))
    truth = {("bookings", 2, "two"): base, ("bookings", 2, "four"): base * ratio}
    sds = {key: sd * (uneven if key[2] == "four" else 1.0) for key in truth}
    return _observed(rng, truth, {"two": 2, "four": 4}, sds, blocks, block_sd, heavy, bank, f"ratio {ratio:.4g}")


def any_two_cells(rng: np.random.Generator, *, ratio: float | None = None, bank: Bank | None = None) -> Experiment:
    """Two cells with everything drawn: two in five equal, one in four with unequal sds, one in five heavy-tailed."""
    if ratio is None:
        ratio = float(rng.choice(RATIOS, p=[0.4, 0.2, 0.2, 0.2])) ** float(rng.choice([-1, 1]))
    return two_cells(
        rng,
        ratio,
        any_sd(rng),
        int(rng.integers(3, 11)),
        rng.uniform(0, LARGEST_BLOCK_SD),
        uneven=float(rng.uniform(0.4, 2.5)) if rng.random() < 0.25 else 1.0,
        heavy=bool(rng.random() < 0.2),
        bank=bank,
    )


def scan(
    rng: np.random.Generator,
    shapes: Sequence[int] | None = None,
    threads: Sequence[int] | None = None,
    blocks: int | None = None,
    *,
    kind: str | None = None,
    sd: float | None = None,
    block_sd: float | None = None,
    scattering: float | None = None,
    each_its_own: bool | None = None,
    heavy: bool | None = None,
    bank: Bank | None = None,
) -> Experiment:
    """Shapes x threads of one workload; everything that is not given is drawn.

    Args:
        rng: where luck comes from.
        shapes: vCPUs of each.
        threads: thread counts.
        blocks: 3 to 5.
        kind: one of ``SCANS``.
        sd: between-trial sd of the log.
        block_sd: sd of the effects of the blocks.
        scattering: one cell's sd over that of the others, 1 for none; drawn in one scan of four.
        each_its_own: every cell has an sd of its own, drawn from the whole range; in one scan of ten.
        heavy: see :func:`two_cells`.
        bank: of trials; without it they are perfect.
    """
    if shapes is None or threads is None:
        drawn_shapes, drawn_threads = _any_grid(rng)
        shapes, threads = shapes or drawn_shapes, threads or drawn_threads
    kind = kind if kind is not None else str(rng.choice(SCANS, p=[0.4, 0.15, 0.15, 0.2, 0.1]))
    sd = sd if sd is not None else any_sd(rng)
    truth = _truth(rng, shapes, threads, kind)
    if scattering is None:
        scattering = float(rng.uniform(2, 4)) if rng.random() < 0.25 else 1.0
    if each_its_own is None:
        each_its_own = bool(rng.random() < 0.1)
    sds = {key: any_sd(rng) if each_its_own else sd for key in truth}
    sds[list(truth)[int(rng.integers(len(truth)))]] *= scattering
    return _observed(
        rng,
        truth,
        {_name(v): v for v in shapes},
        sds,
        blocks if blocks is not None else int(rng.integers(3, 6)),
        block_sd if block_sd is not None else rng.uniform(0, LARGEST_BLOCK_SD),
        heavy if heavy is not None else bool(rng.random() < 0.2),
        bank,
        kind,
    )


def smallest_adequate(truth: Mapping[Key, float], margin: float = MARGIN) -> dict[tuple[str, int], str]:
    """Workload and threads to the smallest shape that is truly behind no other by more than the margin."""
    found: dict[tuple[str, int], str] = {}
    for workload, threads in sorted({key[:2] for key in truth}):
        load = {shape: rate for (w, t, shape), rate in truth.items() if (w, t) == (workload, threads)}
        floor = (1 - margin) * max(load.values()) * (1 - 1e-12)
        found[workload, threads] = min((s for s, rate in load.items() if rate >= floor), key=vcpus_of)
    return found


def vcpus_of(shape: str) -> int:
    """vCPUs of a scan's shape, which its name tells."""
    return int(shape.removeprefix("v"))


def capacity(vcpus: float, gain: float, contention: float, coherency: float) -> float:
    """The Universal Scalability Law (Gunther 2007): throughput with so many processors at work."""
    return gain * vcpus / (1 + contention * (vcpus - 1) + coherency * vcpus * (vcpus - 1))


def any_sd(rng: np.random.Generator, least: float = SMALLEST_SD, most: float = LARGEST_SD) -> float:
    """A between-trial sd; its logarithm is spread evenly."""
    return float(np.exp(rng.uniform(math.log(least), math.log(most))))


def _any_grid(rng: np.random.Generator) -> tuple[list[int], list[int]]:
    """1-8 shapes x 1-4 thread counts, 2 to 24 cells."""
    while True:
        shapes, threads = int(rng.integers(1, 9)), int(rng.integers(1, 5))
        if 2 <= shapes * threads <= MOST_CELLS and shapes > 1:
            break
    drawn = (
        sorted(int(n) for n in rng.choice(pool, size, replace=False))
        for pool, size in ((VCPUS, shapes), (THREADS, threads))
    )
    return next(drawn), next(drawn)


def _name(vcpus: int) -> str:
    return f"v{vcpus}"


def _truth(rng: np.random.Generator, shapes: Sequence[int], threads: Sequence[int], kind: str) -> dict[Key, float]:
    gain = float(np.exp(rng.uniform(math.log(10), math.log(10_000))))
    if kind == "equal":
        return {("bookings", t, _name(v)): gain for t in threads for v in shapes}
    if kind == "steps":
        return {("bookings", t, _name(v)): gain * (1 - rng.uniform(0, 0.10)) for t in threads for v in shapes}
    contention, coherency = rng.uniform(0, 0.12), float(rng.choice([0.0, rng.uniform(0, 0.004)]))
    physical, idle_costs, crowded = int(rng.choice([2, 4, 8, 16])), rng.uniform(0, 0.012), rng.uniform(0, 0.03)
    if kind == "plateau":
        idle_costs = 0.0
    truth: dict[Key, float] = {}
    for t in threads:
        for v in shapes:
            rate = capacity(min(t, v, physical), gain, contention, coherency)
            # A vCPU without a thread costs a little; more threads than vCPUs cost switches between them.
            rate *= 1 - idle_costs * math.log2(max(1.0, v / t))
            rate *= 1 - crowded * min(1.0, math.log2(max(1.0, t / v)) / 4)
            truth["bookings", t, _name(v)] = rate
    if kind == "near margin":
        for t in threads:
            load = sorted((v for v in shapes), key=lambda v: truth["bookings", t, _name(v)])
            best = truth["bookings", t, _name(load[-1])]
            truth["bookings", t, _name(load[-2])] = best * (1 - MARGIN + rng.uniform(-0.01, 0.01))
    return truth


def _observed(  # noqa: PLR0917 - one argument for each property of an experiment
    rng: np.random.Generator,
    truth: dict[Key, float],
    vcpus: Mapping[str, int],
    sds: Mapping[Key, float],
    blocks: int,
    block_sd: float,
    heavy: bool,
    bank: Bank | None,
    kind: str,
) -> Experiment:
    keys = list(truth)
    size = (blocks, len(keys))
    luck = rng.standard_t(4, size) / math.sqrt(2) if heavy else rng.standard_normal(size)
    luck *= np.array([sds[key] for key in keys])
    shared = rng.standard_normal((blocks, 1)) * block_sd
    seconds, errors = (bank or Perfect()).draw(rng, blocks * len(keys))
    logs = np.log(np.array([truth[key] for key in keys])) + shared + luck + np.log1p(errors.reshape(size))
    observations: list[Observation] = []
    lengths: list[float] = []
    for block in range(blocks):
        for cell in rng.permutation(len(keys)):
            workload, threads, shape = keys[cell]
            rate = float(np.exp(logs[block, cell]))
            observations.append(Observation(shape, vcpus[shape], GIB, workload, threads, block + 1, rate))
            lengths.append(float(seconds[block * len(keys) + cell]))
    each = sorted(sds.values())
    scatter = "alike" if each[0] == each[-1] else "one cell more" if each[0] == each[-2] else "each its own"
    typical = float(np.median(each))
    return Experiment(tuple(observations), truth, typical, kind, tuple(lengths), each[-1], scatter, block_sd, heavy)
