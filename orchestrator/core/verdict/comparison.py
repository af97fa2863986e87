"""Two cells: ratio with interval, and one of four words.

Cells that were measured in blocks are compared block by block (t on log ratios, its variance from the whole block
design, see :mod:`~orchestrator.core.verdict.inference.cell_scatter`); readings without blocks by Welch's t. The design
decides which, never a look at the data.

All intervals of a workload are simultaneous: the chance that any of them misses the truth is at most
``1 - confidence``, whatever is then picked out, such as the shape with the largest mean; the questions share that
chance. Shapes are compared each with each under the same threads, jointly over all thread counts of a workload (Tukey
1953, Kramer 1956; readings without blocks as in Games & Howell 1976). The other questions are corrected by Bonferroni's
inequality (as in Dunn 1961).

Differences that the simultaneous intervals leave open are decided stepwise where that is possible at the same
family-wise error (:mod:`~orchestrator.core.verdict.inference.stepwise`). The near end of such an interval is that of
its step and belongs to the word: all words together are wrong with a chance of at most ``1 - confidence``, and so do
all simultaneous intervals together miss; that either happens is likelier, and that one of the intervals as they are
given, near ends of steps among them, misses the truth has a chance of up to 9 % at 95 %
(tests/benchmarks/statistics/between_trials.py steps).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, groupby, pairwise
from typing import Literal, TypeAlias

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.inference.cell_scatter import paired_by_design
from orchestrator.core.verdict.inference.equivalence import two_one_sided
from orchestrator.core.verdict.inference.family import Family, Look
from orchestrator.core.verdict.inference.power import blocks_to_clear, blocks_to_hold
from orchestrator.core.verdict.inference.simultaneous import Sizes
from orchestrator.core.verdict.inference.stepwise import Load, Places, steps
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, exp, independent, mean_of

Word = Literal["faster", "slower", "equivalent", "undecided"]
#: ``size``: another shape under the same load. ``threads``: more threads on the same shape. ``growth``: more vCPUs,
#: each with a thread of its own. Each is corrected in its own way.
Question = Literal["size", "threads", "growth"]
#: How an interval is corrected for the rest of its family; ``stepwise``: the difference is shown by a later step.
Correction = Literal["none", "all pairs", "all pairs, stepwise", "Bonferroni"]
Key: TypeAlias = tuple[str, int, str]
PairKey: TypeAlias = tuple[Question, Key, Key]

#: Shares of a workload's error that its questions get, of those that are asked: so that all of its comparisons hold
#: together. More threads, and a vCPU with its thread, mostly make differences that no correction hides.
_SHARES: Mapping[Question, float] = {"size": 8.0, "threads": 1.0, "growth": 1.0}
#: Equal is said at this share of the error at the most: at 95 % where the interval at 98 % lies within the margin. What
#: lies exactly at the margin is then called equal in 1 of 100 cases, not in 2.5. Simulated (two cells, 3-10 blocks, sd
#: .3-3 %, margin 2 %): of true ratios of 1.02 equal is said in .8 %, at 95 % in 2.0 %; of equal cells in 46 and 56 %
#: (tests/benchmarks/statistics/between_trials.py equal).
_EQUAL = 0.4


class Comparison(Record):
    """``new`` against ``base``.

    ``low`` and ``high`` bound ``ratio`` (new over base), simultaneously with the rest of its family, except that with
    the correction ``all pairs, stepwise`` the end near 1 is that of the step; ``None`` where a cell was read only once,
    or no two blocks hold both. ``more_blocks`` is how many further blocks would decide an
    undecided one with 90 % power if difference and scatter are as seen so far; ``None`` when decided, unknown, or too
    many. ``confidence_alone`` is that of the interval by itself, which ``correction`` for ``corrected_for`` comparisons
    (and for several looks at a run) asks for. ``p_low`` and ``p_high`` are of the two one-sided tests for equivalence
    (Schuirmann 1987), not corrected: of a ratio at or below the margin, and of one at or above it.
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
    correction: Correction = "none"
    confidence_alone: float | None = None
    p_low: float | None = None
    p_high: float | None = None


@dataclass(frozen=True)
class Pair:
    """Two cells that the design sets against each other."""

    question: Question
    base: CellReadings
    new: CellReadings

    @property
    def key(self) -> PairKey:
        """What tells this pair from every other."""
        return (self.question, self.base.key, self.new.key)


def word(interval: tuple[float, float] | None, margin: float, wide: tuple[float, float] | None = None) -> Word:
    """The word for an interval of log ratios.

    Equivalent means that the whole interval lies within the margin, also when it excludes 1: a difference that is too
    small to matter is none. The margin reaches from ``1 / (1 + margin)`` to ``1 + margin``, so exchanging base and new
    exchanges the words, and neither is further than the margin from the other, whichever is taken for the base.

    Args:
        interval: ``None`` where there is none.
        margin: the smallest relative difference that matters.
        wide: the interval that has to lie within the margin, where that is to be surer than a difference.
    """
    if interval is None:
        return "undecided"
    (low, high), (lowest, highest) = interval, wide or interval
    bound = margin_log(margin)
    if -bound <= lowest and highest <= bound:
        return "equivalent"
    return "faster" if low > 0 else "slower" if high < 0 else "undecided"


def equal_confidence(confidence: float) -> float:
    """Of the interval that has to lie within the margin, at the least: 98 % where differences are told at 95 %."""
    return 1 - _EQUAL * (1 - confidence)


def margin_log(margin: float) -> float:
    """The margin as a distance of logarithms: ``log(1 + margin)``."""
    return math.log1p(margin)


def log_ratio(base: CellReadings, new: CellReadings) -> LogEstimate:
    """Log of new over base, paired where both cells were measured in blocks."""
    if base.by_block is None or new.by_block is None:
        return independent(base.logs, new.logs)
    return paired_by_design(base.by_block, new.by_block, (base.scatter, new.scatter))


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


@dataclass(frozen=True)
class Level:
    """How sure the interval of one comparison has to be.

    Attributes:
        confidence: of this interval alone.
        equal: of the one that has to lie within the margin; the same when not given.
        decided: confidence of the interval that shows the difference stepwise; ``None`` where none does.
        correction: for the rest of its family.
        family: how many comparisons it has.
    """

    confidence: float
    decided: float | None = None
    correction: Correction = "none"
    family: int = 1
    equal: float | None = None


def compare_all(
    cells: Sequence[CellReadings], *, margin: float, confidence: float, look: Look | None = None
) -> tuple[Comparison, ...]:
    """Everything that the design sets against each other.

    Args:
        cells: of any number of workloads.
        margin: the smallest relative difference that matters.
        confidence: of all comparisons of one workload together.
        look: see :class:`~orchestrator.core.verdict.inference.family.Family`.
    """
    chosen = pairs(cells)
    counts = family_sizes(chosen)
    levels: dict[PairKey, Level] = {}
    ratios = {pair.key: log_ratio(pair.base, pair.new) for pair in chosen}
    for workload, load in groupby(sorted(cells, key=lambda c: c.first.workload), key=lambda c: c.first.workload):
        of_workload = [pair for pair in chosen if pair.base.first.workload == workload]
        asked: list[Question] = [question for question in _SHARES if (workload, question) in counts]
        whole, every = list(load), sum(_SHARES[question] for question in asked)
        for question in asked:
            family = family_of(whole, 1 - (1 - confidence) * _SHARES[question] / every, look)
            alike = [pair for pair in of_workload if pair.question == question]
            levels |= _of_sizes(alike, ratios, family) if question == "size" else _one_by_one(alike, ratios, family)
    alone = Family(equal_confidence(confidence), (), look)
    for key, level in levels.items():
        levels[key] = replace(level, equal=max(level.confidence, alone.at_look(ratios[key], alone.confidence)))
    return tuple(_compared(pair, ratios[pair.key], margin, levels[pair.key]) for pair in chosen)


def family_of(cells: Sequence[CellReadings], confidence: float, look: Look | None = None) -> Family:
    """The family of comparisons of shapes within one workload, jointly over its loads."""
    threads = Counter(c.first.threads for c in cells)
    return Family(confidence, tuple(threads[count] for count in sorted(threads)), look)


def _of_sizes(found: Sequence[Pair], ratios: Mapping[PairKey, LogEstimate], family: Family) -> dict[PairKey, Level]:
    """Levels of all pairs of shapes of one workload: simultaneous intervals, and stepwise words beyond them."""
    loads: list[Load] = []
    members: list[dict[Places, PairKey]] = []
    for _, alike in groupby(found, key=lambda p: p.base.first.threads):
        of_load = list(alike)
        shapes = {cell.key: cell for pair in of_load for cell in (pair.base, pair.new)}
        order = sorted(shapes, key=lambda key: (mean_of(shapes[key].logs).value, shapes[key].size))
        place = {key: number for number, key in enumerate(order)}
        keys = {_places(place[p.base.key], place[p.new.key]): p.key for p in of_load}
        members.append(keys)
        loads.append(Load(len(order), {at: ratios[key] for at, key in keys.items() if ratios[key].error is not None}))
    decided = steps(loads, family.confidence, lambda estimate, sizes: _leaves_out_0(family, estimate, sizes))
    whole = tuple(load.shapes for load in loads)
    correction: Correction = "all pairs" if family.pairs > 1 else "none"
    levels: dict[PairKey, Level] = {}
    for number, keys in enumerate(members):
        for at, key in keys.items():
            sizes, each = decided.get((number, at), whole), family.of_pair(ratios[key])
            if sizes == whole:
                levels[key] = Level(each, None, correction, family.pairs)
            else:
                levels[key] = Level(each, family.of_pair(ratios[key], sizes), "all pairs, stepwise", family.pairs)
    return levels


def _one_by_one(found: Sequence[Pair], ratios: Mapping[PairKey, LogEstimate], family: Family) -> dict[PairKey, Level]:
    """Levels of the other questions."""
    correction: Correction = "Bonferroni" if len(found) > 1 else "none"
    each = {pair.key: family.of_one_in(ratios[pair.key], len(found)) for pair in found}
    return {key: Level(confidence, None, correction, len(found)) for key, confidence in each.items()}


def _places(one: int, other: int) -> Places:
    return (one, other) if one < other else (other, one)


def _leaves_out_0(family: Family, estimate: LogEstimate, sizes: Sizes) -> bool:
    bounds = estimate.interval(family.of_pair(estimate, sizes))
    return bounds is not None and (bounds[0] > 0 or bounds[1] < 0)


def _compared(pair: Pair, estimate: LogEstimate, margin: float, level: Level) -> Comparison:
    interval = _interval(estimate, level)
    equal = level.confidence if level.equal is None else level.equal
    verdict = word(interval, margin, estimate.interval(equal))
    needed = _blocks_that_decide(estimate, margin, level.confidence, equal) if verdict == "undecided" else None
    tests = two_one_sided(estimate, margin_log(margin))
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
        corrected_for=level.family,
        correction=level.correction,
        confidence_alone=level.confidence,
        p_low=tests.p_low if tests else None,
        p_high=tests.p_high if tests else None,
    )


def _interval(estimate: LogEstimate, level: Level) -> tuple[float, float] | None:
    """The simultaneous interval; where the difference is shown stepwise only, its near end is that of the step."""
    bounds = estimate.interval(level.confidence)
    if bounds is None or level.decided is None:
        return bounds
    near = estimate.interval(level.decided) or bounds
    return (near[0], bounds[1]) if estimate.value > 0 else (bounds[0], near[1])


def _blocks_that_decide(estimate: LogEstimate, margin: float, confidence: float, equal: float) -> int | None:
    """Blocks in all that would show either a difference or equivalence, whichever needs fewer."""
    ways = (blocks_to_clear(estimate, 0.0, confidence), blocks_to_hold(estimate, margin_log(margin), equal))
    return min((blocks for blocks in ways if blocks is not None), default=None)


def _plain_ratio(pair: Pair, estimate: LogEstimate) -> float:
    """Single readings are divided as they are, so that 1470 against 2400 is 0.6125 to the last digit."""
    if len(pair.base.observations) == len(pair.new.observations) == 1:
        return pair.new.first.throughput_per_s / pair.base.first.throughput_per_s
    return exp(estimate.value)
