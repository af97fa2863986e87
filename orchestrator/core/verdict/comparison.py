"""Two cells: ratio with interval, and one of four words.

Cells that were measured in blocks are compared block by block (t on log ratios, its variance from the whole block
design, see :func:`~orchestrator.core.verdict.uncertainty.paired`); readings without blocks by Welch's t. The design
decides which, never a look at the data. The intervals of one family are simultaneous: with ``m`` comparisons each is
computed at confidence ``1 - (1 - confidence) / m`` (Bonferroni's inequality, as in Dunn 1961), so the chance that any
of them misses the truth stays below ``1 - confidence``, whatever is then picked out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations, groupby, pairwise
from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.power import blocks_to_clear, blocks_to_hold
from orchestrator.core.verdict.uncertainty import LogEstimate, exp, independent, paired

Word = Literal["faster", "slower", "equivalent", "undecided"]
#: ``size``: another shape under the same load. ``threads``: more threads on the same shape. ``growth``: more vCPUs,
#: each with a thread of its own. Each is a family of its own for the correction: it answers one question.
Question = Literal["size", "threads", "growth"]


class Comparison(Record):
    """``new`` against ``base``.

    ``low`` and ``high`` bound ``ratio`` (new over base), simultaneously with the rest of its family; ``None`` where a
    cell was read only once, or no two blocks hold both. ``more_blocks`` is how many further blocks would decide an
    undecided one with 90 % power if difference and scatter are as seen so far; ``None`` when decided, unknown, or too
    many.
    """

    question: Question
    workload: str
    base: str
    new: str
    base_shape: str
    base_threads: int
    new_shape: str
    new_threads: int
    readings: int
    paired: bool
    ratio: float
    low: float | None
    high: float | None
    verdict: Word
    more_blocks: int | None
    corrected_for: int


@dataclass(frozen=True)
class Pair:
    """Two cells that the design sets against each other."""

    question: Question
    base: CellReadings
    new: CellReadings


def word(interval: tuple[float, float] | None, margin: float) -> Word:
    """The word for an interval of log ratios.

    Equivalent means that the whole interval lies within the margin, also when it excludes 1: a difference that is too
    small to matter is none. The margin reaches from ``1 - margin`` to its reciprocal, so exchanging base and new
    exchanges the words.
    """
    if interval is None:
        return "undecided"
    low, high = interval
    bound = margin_log(margin)
    if -bound <= low and high <= bound:
        return "equivalent"
    return "faster" if low > 0 else "slower" if high < 0 else "undecided"


def margin_log(margin: float) -> float:
    """The margin as a distance of logarithms: ``-log(1 - margin)``."""
    return -math.log1p(-margin)


def log_ratio(base: CellReadings, new: CellReadings) -> LogEstimate:
    """Log of new over base, paired where both cells were measured in blocks."""
    base_blocks, new_blocks = base.by_block, new.by_block
    if base_blocks is not None and new_blocks is not None:
        return paired(base_blocks, new_blocks, base.noise)
    return independent(base.logs, new.logs)


def pairs(cells: Iterable[CellReadings]) -> tuple[Pair, ...]:
    """What is compared: chosen by the design alone, so that the correction holds.

    Within one workload: every two shapes under the same threads; each thread count with the next on the same shape; and
    from one vCPU count to the next where every vCPU has one thread. The smaller of the two is the base.
    """
    chosen: list[Pair] = []
    ordered = sorted(cells, key=lambda c: (c.first.workload, c.first.threads, c.size))
    for _, group in groupby(ordered, key=lambda c: c.first.workload):
        load = list(group)
        for _, alike in groupby(load, key=lambda c: c.first.threads):
            chosen += [Pair("size", a, b) for a, b in combinations(alike, 2)]
        by_shape = sorted(load, key=lambda c: (c.size, c.first.threads))
        for _, alike in groupby(by_shape, key=lambda c: c.first.shape):
            chosen += [Pair("threads", a, b) for a, b in pairwise(alike)]
        full = {c.first.vcpus: c for c in reversed(by_shape) if c.first.threads == c.first.vcpus}
        chosen += [Pair("growth", a, b) for a, b in pairwise(full[vcpus] for vcpus in sorted(full))]
    return tuple(chosen)


def family_sizes(chosen: Iterable[Pair]) -> dict[tuple[str, Question], int]:
    """Comparisons in each family: workload and question."""
    sizes: dict[tuple[str, Question], int] = {}
    for pair in chosen:
        family = (pair.base.first.workload, pair.question)
        sizes[family] = sizes.get(family, 0) + 1
    return sizes


def corrected(confidence: float, comparisons: int) -> float:
    """Bonferroni: the confidence of each of several intervals that are to hold together."""
    return 1 - (1 - confidence) / max(1, comparisons)


def compare(pair: Pair, *, margin: float, confidence: float, family: int) -> Comparison:
    """Compare two cells.

    Args:
        pair: the cells.
        margin: the smallest relative difference that matters.
        confidence: of the whole family.
        family: how many comparisons it has.
    """
    estimate, each = log_ratio(pair.base, pair.new), corrected(confidence, family)
    interval = estimate.interval(each)
    verdict = word(interval, margin)
    needed = _blocks_that_decide(estimate, margin, each) if verdict == "undecided" else None
    base, new = pair.base.first, pair.new.first
    return Comparison(
        question=pair.question,
        workload=base.workload,
        base=pair.base.id,
        new=pair.new.id,
        base_shape=base.shape,
        base_threads=base.threads,
        new_shape=new.shape,
        new_threads=new.threads,
        readings=estimate.readings,
        paired=pair.base.by_block is not None and pair.new.by_block is not None,
        ratio=exp(estimate.value) if estimate.readings > 1 else _plain_ratio(pair, estimate),
        low=exp(interval[0]) if interval else None,
        high=exp(interval[1]) if interval else None,
        verdict=verdict,
        more_blocks=max(1, needed - estimate.readings) if needed is not None else None,
        corrected_for=family,
    )


def _blocks_that_decide(estimate: LogEstimate, margin: float, confidence: float) -> int | None:
    """Blocks in all that would show either a difference or equivalence, whichever needs fewer."""
    ways = (blocks_to_clear(estimate, 0.0, confidence), blocks_to_hold(estimate, margin_log(margin), confidence))
    return min((blocks for blocks in ways if blocks is not None), default=None)


def _plain_ratio(pair: Pair, estimate: LogEstimate) -> float:
    """Single readings are divided as they are, so that 1470 against 2400 is 0.6125 to the last digit."""
    if len(pair.base.observations) == len(pair.new.observations) == 1:
        return pair.new.first.throughput_per_s / pair.base.first.throughput_per_s
    return exp(estimate.value)
