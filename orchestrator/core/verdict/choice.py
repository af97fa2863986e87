"""Which shape: the smallest whose throughput is not worse than the best by more than the margin.

The figures choose; the intervals say how far the choice is shown. The largest of several means is too large on average,
since luck helps to be the largest, and against it a small shape looks worse than it is. So shapes that cannot well be
told from the best are pulled towards their common level before the figures choose (shrinkage, as of Stein 1956 and
Efron & Morris 1973; the weights are ours).

The confidence set holds every shape that the intervals cannot exclude from being the right one. A shape is excluded
when it is shown to be behind another by more than the margin, or when a smaller one is shown to be within the margin of
all others. The right shape is excluded only if one of the comparisons with it fails in one direction, or one of those
with the best in the other: comparisons with one shape each (Hsu 1981 and 1984; critical values of Dunnett 1955), half
of the error for each direction, jointly over the loads of a workload. This is a statement of its own beside the
comparisons: each holds with the confidence asked for, both together with less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import Literal, TypeAlias

from scipy.special import stdtr

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.comparison import Key, log_ratio
from orchestrator.core.verdict.inference.family import Family
from orchestrator.core.verdict.inference.power import blocks_to_clear
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, exp, mean_of

Basis = Literal["shown", "figures", "single readings", "only shape measured"]

Ratios: TypeAlias = Mapping[tuple[Key, Key], LogEstimate]

#: Differences of logs below this are rounding, not throughput.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Doubt:
    """What the intervals still allow against the choice.

    Attributes:
        kind: ``short``: the chosen shape may be more than the margin behind ``other``; ``smaller``: ``other`` may do.
        other: the cell in question.
        allows: the ratio still allowed: chosen to other (``short``), other to the best (``smaller``).
        more_blocks: how many further blocks would settle it; ``None`` when too many.
    """

    kind: Literal["short", "smaller"]
    other: CellReadings
    allows: float
    more_blocks: int | None


@dataclass(frozen=True, order=True)
class Error:
    """Chance to err of one comparison alone, one-sided, and the degrees of freedom of its scatter."""

    alone: float
    df: float = 1.0


_NEVER, _SURELY = Error(0.0), Error(1.0)


@dataclass(frozen=True)
class Standing:
    """What is shown of one shape.

    Attributes:
        cell: the shape under this load.
        level: its log ratio to the best, luck of the best allowed for.
        is_too_slow: it is shown to be behind another by more than the margin.
        is_enough: it is shown to be within the margin of every other one.
        lowest: log ratio that the intervals allow it to be behind another, at the most.
        error_too_slow, error_enough: at which the one and the other would just be said.
    """

    cell: CellReadings
    level: float
    is_too_slow: bool
    is_enough: bool
    lowest: float
    error_too_slow: Error
    error_enough: Error


@dataclass(frozen=True)
class Choice:
    """The choice among the shapes under one load.

    Attributes:
        standings: of all shapes of the load, smallest first.
        chosen, best: the answer, and the cell with the largest mean.
        basis: what the choice rests on.
        doubts: empty unless ``basis`` is ``figures``.
        family: of the comparisons.
    """

    standings: tuple[Standing, ...]
    chosen: CellReadings
    best: CellReadings
    basis: Basis
    doubts: tuple[Doubt, ...]
    family: Family

    @property
    def group(self) -> tuple[CellReadings, ...]:
        """All cells of the load, smallest shape first."""
        return tuple(standing.cell for standing in self.standings)

    @cached_property
    def levels(self) -> Mapping[Key, float]:
        """Log ratio to the best that the choice goes by; 0 is the level of the best."""
        return {standing.cell.key: standing.level for standing in self.standings}

    @property
    def others(self) -> tuple[CellReadings, ...]:
        """All cells but the chosen one, the best first, then by size."""
        rest = [c for c in self.group if c.key != self.chosen.key]
        return tuple(sorted(rest, key=lambda c: (c.key != self.best.key, c.size)))

    @property
    def is_tied(self) -> bool:
        """Whether another shape has the best one's mean to the last digit."""
        most = mean_of(self.best.logs).value
        return sum(abs(mean_of(c.logs).value - most) <= _ROUNDING for c in self.group) > 1

    @property
    def more_blocks(self) -> int | None:
        """Further blocks that would settle every doubt; ``None`` when there is none, or one that cannot be settled."""
        needed = [doubt.more_blocks for doubt in self.doubts]
        known = [blocks for blocks in needed if blocks is not None]
        return max(known) if known and len(known) == len(needed) else None

    @property
    def candidates(self) -> tuple[CellReadings, ...]:
        """The confidence set for the right shape, smallest first; all shapes where the figures carry no uncertainty."""
        if self.basis in {"single readings", "only shape measured"}:
            return self.group
        found = []
        for standing in self.standings:
            if not standing.is_too_slow:
                found.append(standing.cell)
            if standing.is_enough:
                break
        return tuple(found)

    def lowest(self, cell: CellReadings) -> float:
        """The log ratio that the intervals allow this cell to be behind another, at the most."""
        return next(standing.lowest for standing in self.standings if standing.cell.key == cell.key)

    @property
    def certainty(self) -> float | None:
        """The largest confidence at which the confidence set holds the chosen shape alone.

        ``None`` where the figures carry no uncertainty, where there is nothing to choose from, and at one of several
        looks at a run. It is a confidence, not the probability that the choice is right: with it, the procedure names
        the right shape and no other.
        """
        if self.basis in {"single readings", "only shape measured"} or self.family.look is not None:
            return None
        errors, enough = [], _SURELY
        for standing in self.standings:
            if standing.cell.key != self.chosen.key:
                larger = standing.cell.size > self.chosen.size
                errors.append(min(standing.error_too_slow, enough if larger else _SURELY))
            enough = min(enough, standing.error_enough)
        worst = max(errors, default=_NEVER)
        return max(0.0, 1 - 2 * self.family.error_of_bound(worst.alone, worst.df))


def _levels(group: Sequence[CellReadings], ratios: Ratios) -> dict[Key, float]:
    """Each cell's log ratio to the level of the best, luck of the best allowed for.

    A cell is weighted by ``exp(-z^2)``, z the largest number of standard errors that it is behind another; that is the
    square of the likelihood ratio of both being equal. The weighted mean of all is the level of those that may be the
    best; each cell is moved towards it by its own weight. Without scatter nothing is moved. Simulated (scans of 2-24
    cells, 3-5 blocks, sd .3-3 %, 8,300 recommendations, margin 3 %): right / too small / too big go from 92.7 / 2.0 /
    5.3 % to 94.4 / 2.3 / 3.4 %; by the likelihood ratio itself to 94.9 / 3.9 / 1.2 %. The chosen ones again: ``python
    tests/benchmarks/statistics experiments``.
    """
    best = largest_mean(group)
    values = {c.key: ratios[best.key, c.key].value if c.key != best.key else 0.0 for c in group}
    weights = {c.key: _weight(c, group, ratios) for c in group}
    common = math.fsum(weights[key] * values[key] for key in values) / math.fsum(weights.values())
    moved, least = {}, math.inf
    for key in sorted(values, key=lambda key: -values[key]):
        # Weights differ, but no cell is moved beyond one whose figure is larger.
        least = min(least, values[key] + weights[key] * (common - values[key]))
        moved[key] = least
    top = max(moved.values())
    return {key: value - top for key, value in moved.items()}


def _ratios(group: Sequence[CellReadings]) -> Ratios:
    """Log of the second over the first, of every two cells."""
    found = {}
    for one, other in combinations(group, 2):
        found[one.key, other.key] = log_ratio(one, other)
        found[other.key, one.key] = found[one.key, other.key].turned()
    return found


def _weight(cell: CellReadings, group: Sequence[CellReadings], ratios: Ratios) -> float:
    behind = [ratios[cell.key, other.key] for other in group if other.key != cell.key]
    return min((_likelihood(one) for one in behind if one.value > _ROUNDING), default=1.0)


def _likelihood(behind: LogEstimate) -> float:
    """The square of the likelihood ratio of two means this far apart being equal."""
    return math.exp(-((behind.value / behind.error) ** 2)) if behind.error else 0.0


def _smallest(group: Sequence[CellReadings], found: Mapping[Key, float], margin: float) -> CellReadings:
    """The smallest cell that, on the figures and with the luck of the best allowed for, is within the margin of it."""
    floor = math.log1p(-margin) - _ROUNDING
    return min((c for c in group if found[c.key] >= floor), key=lambda c: c.size)


def largest_mean(group: Sequence[CellReadings]) -> CellReadings:
    """The cell with the largest geometric mean; of equals the smallest."""
    return max(sorted(group, key=lambda c: c.size), key=lambda c: mean_of(c.logs).value)


def furthest_behind(cell: CellReadings, group: Sequence[CellReadings]) -> tuple[CellReadings, LogEstimate]:
    """The cell that this one is furthest behind, and the log ratio to it (positive when it is behind none)."""
    others = [(other, log_ratio(other, cell)) for other in group if other.key != cell.key]
    return min(others, key=lambda pair: pair[1].value, default=(cell, LogEstimate(0.0, 0)))


def choose(cells: Sequence[CellReadings], *, margin: float, family: Family) -> Choice:
    """Choose among the shapes measured under one load.

    Args:
        cells: one cell a shape, all with the same workload and threads; at least one.
        margin: the smallest relative difference that matters.
        family: of the comparisons of shapes within this workload.
    """
    group, floor = tuple(sorted(cells, key=lambda c: c.size)), math.log1p(-margin)
    ratios, best = _ratios(group), largest_mean(group)
    level = _levels(group, ratios)
    chosen = _smallest(group, level, margin)
    if len(group) == 1:
        return Choice(
            (Standing(chosen, 0.0, False, True, 0.0, _SURELY, _NEVER),), chosen, best, "only shape measured", (), family
        )
    against = {c.key: _against(c, group, ratios, floor, family) for c in group}
    if any(not comparison.is_known for found in against.values() for comparison in found):
        unknown = tuple(Standing(c, level[c.key], False, False, -math.inf, _SURELY, _SURELY) for c in group)
        return Choice(unknown, chosen, best, "single readings", (), family)
    standings = tuple(
        Standing(
            cell=c,
            level=level[c.key],
            is_too_slow=any(one.high < floor - _ROUNDING for one in against[c.key]),
            is_enough=all(one.low >= floor - _ROUNDING for one in against[c.key]),
            lowest=min(one.low for one in against[c.key]),
            error_too_slow=min(one.error_below for one in against[c.key]),
            error_enough=max(one.error_above for one in against[c.key]),
        )
        for c in group
    )
    possible = Choice(standings, chosen, best, "shown", (), family).candidates
    # Figures that were moved never overrule what is shown.
    chosen = next((c for c in possible if level[c.key] >= floor - _ROUNDING), possible[-1])
    doubts = _doubts(possible, chosen, against, floor) if len(possible) > 1 else ()
    return Choice(standings, chosen, best, "figures" if doubts else "shown", doubts, family)


@dataclass(frozen=True)
class _Against:
    """One cell against another: the ends of the interval, and the errors at which either would clear the floor."""

    other: CellReadings
    estimate: LogEstimate
    confidence: float
    low: float
    high: float
    error_below: Error
    error_above: Error

    @property
    def is_known(self) -> bool:
        return self.estimate.error is not None


def _against(
    cell: CellReadings, group: Sequence[CellReadings], ratios: Ratios, floor: float, family: Family
) -> list[_Against]:
    found = []
    for other in group:
        if other.key == cell.key:
            continue
        estimate = ratios[other.key, cell.key]
        each = family.of_bound(estimate)
        low, high = estimate.interval(each) or (-math.inf, math.inf)
        above, below = (_error(sign * (estimate.value - floor), estimate) for sign in (1, -1))
        found.append(_Against(other, estimate, each, low, high, below, above))
    return found


def _error(gap: float, estimate: LogEstimate) -> Error:
    """Chance of this gap or more where there is none."""
    if estimate.error is None:
        return _SURELY
    if estimate.error == 0:
        return _NEVER if gap >= -_ROUNDING else _SURELY
    return Error(float(stdtr(estimate.df, -gap / estimate.error)), estimate.df)


def _doubts(
    possible: Sequence[CellReadings],
    chosen: CellReadings,
    against: Mapping[Key, Sequence[_Against]],
    floor: float,
) -> tuple[Doubt, ...]:
    """What stands against the choice: larger shapes that may be far ahead, smaller ones that may do."""
    doubts = []
    if possible[-1].size > chosen.size:
        short = [one for one in against[chosen.key] if one.low < floor - _ROUNDING]
        doubts += [Doubt("short", one.other, exp(one.low), _further(one, floor)) for one in short]
    for cell in possible:
        if cell.size < chosen.size:
            nearest = min(against[cell.key], key=lambda one: one.high)
            doubts.append(Doubt("smaller", cell, exp(nearest.high), _further(nearest, floor)))
    return tuple(doubts)


def _further(one: _Against, floor: float) -> int | None:
    needed = blocks_to_clear(one.estimate, floor, one.confidence)
    return None if needed is None else max(1, needed - one.estimate.readings)
