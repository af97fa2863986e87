"""Every matched cell's difference in one quantity, and how sure each has to be so that all of them hold together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import stdtr

from orchestrator.core.verdict.between_runs.estimates import (
    BaseRuns,
    Mean,
    Quantity,
    base_runs,
    between_two,
    beyond_runs,
    run_means,
)
from orchestrator.core.verdict.between_runs.matching import Match
from orchestrator.core.verdict.between_runs.side import Key, Side
from orchestrator.core.verdict.comparison import equal_confidence
from orchestrator.core.verdict.inference.uncertainty import LogEstimate


@dataclass(frozen=True)
class CellDifference:
    """One cell in both.

    Attributes:
        base: one run's mean, or several runs.
        new: the new run's mean.
        estimate: new less base.
    """

    base: Mean | BaseRuns
    new: Mean
    estimate: LogEstimate

    @property
    def p(self) -> float | None:
        """Chance of such a difference or a larger one where there is none; ``None`` where no error is known."""
        if self.estimate.error is None:
            return None
        if self.estimate.error == 0:
            return 1.0 if self.estimate.value == 0 else 0.0
        return float(2 * stdtr(self.estimate.df, -abs(self.estimate.value) / self.estimate.error))


def differences(
    bases: Sequence[Side], new: Side, matches: Sequence[Match], quantity: Quantity
) -> dict[Key, CellDifference]:
    """The difference of every matched cell that both sides know the quantity of, by its key in the new run."""
    mine, theirs = run_means(new, quantity), [run_means(base, quantity) for base in bases]
    known = {m.new.key: {n: cell.key for n, cell in m.base} for m in matches if m.new.key in mine}
    if len(bases) == 1:
        alone = {key: theirs[0][there] for key, at in known.items() if (there := at[0]) in theirs[0]}
        return {key: CellDifference(base, mine[key], between_two(base, mine[key])) for key, base in alone.items()}
    several = base_runs(theirs, known)
    return {key: CellDifference(base, mine[key], beyond_runs(base, mine[key])) for key, base in several.items()}


@dataclass(frozen=True)
class Level:
    """How sure one cell's interval has to be.

    Attributes:
        confidence: of the interval by itself, so that those of all cells hold together (Bonferroni).
        equal: of the one that has to lie within the margin.
        equal_alone: of that one, were there no other cells.
        step: of the interval by which a later step of Holm's shows the difference; ``None`` where none does.
        p, p_holm: of no difference, as it is and corrected; ``None`` where no error is known.
        family: how many cells it is corrected for.
    """

    confidence: float
    equal: float
    equal_alone: float
    step: float | None
    p: float | None
    p_holm: float | None
    family: int


def levels(found: Mapping[Key, CellDifference], confidence: float) -> dict[Key, Level]:
    """The level of each cell.

    All intervals hold together by Bonferroni's inequality (as in Dunn 1961). Words of a difference step down (Holm
    1979, Scand. J. Statist. 6, 65): the smallest p is held against the whole correction, the next against that for one
    cell fewer, and so on until one does not pass; the chance that any of them is wrong stays at most ``1 -
    confidence``.
    """
    chances = {key: each.p for key, each in found.items()}
    known = sorted((p, key) for key, p in chances.items() if p is not None)
    family, error = max(1, len(known)), 1 - confidence
    alone = 1 - error / family
    corrected: dict[Key, float] = {}
    steps: dict[Key, float] = {}
    largest = 0.0
    for place, (p, key) in enumerate(known):
        largest = max(largest, min(1.0, (family - place) * p))
        corrected[key] = largest
        if largest < error and p >= error / family:
            steps[key] = 1 - error / (family - place)
    equal_alone = equal_confidence(confidence)
    equal = max(alone, equal_alone)
    return {
        key: Level(alone, equal, equal_alone, steps.get(key), chances[key], corrected.get(key), family) for key in found
    }


def bounds(estimate: LogEstimate, level: Level) -> tuple[float, float] | None:
    """The simultaneous interval; where the difference is shown by a later step, its near end is that of the step."""
    whole = estimate.interval(level.confidence)
    if whole is None or level.step is None:
        return whole
    near = estimate.interval(level.step) or whole
    return (near[0], whole[1]) if estimate.value > 0 else (whole[0], near[1])
