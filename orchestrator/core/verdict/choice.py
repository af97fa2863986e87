"""Which shape: the smallest whose throughput is not worse than the best by more than the margin.

The figures choose; the intervals say how far the choice is shown. It is shown when, with the family's confidence, the
chosen shape is within the margin of every other one, and every smaller shape is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.comparison import log_ratio
from orchestrator.core.verdict.power import blocks_to_clear
from orchestrator.core.verdict.uncertainty import LogEstimate, exp, mean_of

Basis = Literal["shown", "figures", "single readings", "only shape measured"]

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


@dataclass(frozen=True)
class Choice:
    """The choice among the shapes under one load.

    Attributes:
        group: all cells of the load, smallest shape first.
        chosen, best: the answer, and the cell with the largest mean.
        basis: what the choice rests on.
        doubts: empty unless ``basis`` is ``figures``.
    """

    group: tuple[CellReadings, ...]
    chosen: CellReadings
    best: CellReadings
    basis: Basis
    doubts: tuple[Doubt, ...]

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


def smallest_adequate(group: Sequence[CellReadings], margin: float) -> CellReadings:
    """The smallest cell that, on the figures, is behind no other by more than the margin."""
    floor = math.log1p(-margin) - _ROUNDING
    ordered = sorted(group, key=lambda c: c.size)
    for cell in ordered:
        if furthest_behind(cell, ordered)[1].value >= floor:
            return cell
    return largest_mean(ordered)


def largest_mean(group: Sequence[CellReadings]) -> CellReadings:
    """The cell with the largest geometric mean; of equals the smallest."""
    return max(sorted(group, key=lambda c: c.size), key=lambda c: mean_of(c.logs).value)


def furthest_behind(cell: CellReadings, group: Sequence[CellReadings]) -> tuple[CellReadings, LogEstimate]:
    """The cell that this one is furthest behind, and the log ratio to it (positive when it is behind none)."""
    others = [(other, log_ratio(other, cell)) for other in group if other.key != cell.key]
    return min(others, key=lambda pair: pair[1].value, default=(cell, LogEstimate(0.0, 0)))


def choose(cells: Sequence[CellReadings], *, margin: float, confidence: float) -> Choice:
    """Choose among the shapes measured under one load.

    Args:
        cells: one cell a shape, all with the same workload and threads; at least one.
        margin: the smallest relative difference that matters.
        confidence: of each interval, already corrected for their number.
    """
    group = tuple(sorted(cells, key=lambda c: c.size))
    chosen, best = smallest_adequate(group, margin), largest_mean(group)
    if len(group) == 1:
        return Choice(group, chosen, best, "only shape measured", ())
    doubts, known = _doubts(group, chosen, math.log1p(-margin), confidence)
    basis: Basis = "single readings" if not known else "figures" if doubts else "shown"
    return Choice(group, chosen, best, basis, doubts if known else ())


def _doubts(
    group: Sequence[CellReadings], chosen: CellReadings, floor: float, confidence: float
) -> tuple[tuple[Doubt, ...], bool]:
    """The doubts, and whether every interval needed to have none is known."""
    doubts: list[Doubt] = []
    for other in group:
        if other.key == chosen.key:
            continue
        ahead = log_ratio(other, chosen)
        bounds = ahead.interval(confidence)
        if bounds is None:
            return (), False
        if bounds[0] < floor - _ROUNDING:
            doubts.append(Doubt("short", other, exp(bounds[0]), _further(ahead, floor, confidence)))
        if other.size < chosen.size:
            _, behind = furthest_behind(other, group)
            bounds = behind.interval(confidence)
            if bounds is None:
                return (), False
            if bounds[1] >= floor - _ROUNDING:
                doubts.append(Doubt("smaller", other, exp(bounds[1]), _further(behind, floor, confidence)))
    return tuple(doubts), True


def _further(estimate: LogEstimate, floor: float, confidence: float) -> int | None:
    needed = blocks_to_clear(estimate, floor, confidence)
    return None if needed is None else max(1, needed - estimate.readings)
