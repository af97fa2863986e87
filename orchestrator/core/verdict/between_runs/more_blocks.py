"""How much more would decide a cell, where only one side can still gain as well as where both do.

The power of Student's t and of two one-sided tests is that of :mod:`~orchestrator.core.verdict.inference.power`; here
the two runs have trials of their own, so the error is that of their means after so many further blocks.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from orchestrator.core.verdict.between_runs.estimates import BaseRuns, Mean, between_two, beyond_runs
from orchestrator.core.verdict.inference.power import MOST_BLOCKS, POWER, chance_beyond
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter

#: Nobody repeats a whole run more often for one answer (common practice, no published source).
MOST_RUNS = 50


def more_in_both(base: Mean, new: Mean, bound: float, confidence: float, equal: float) -> int | None:
    """Further blocks of both runs that decide with 90 % power.

    Args:
        base: the cell in the one run.
        new: in the other.
        bound: the margin as a distance of logarithms.
        confidence: of the interval that has to leave out 0.
        equal: of the one that has to lie within the margin.

    Returns:
        ``None`` where the scatter is not known, or so many are needed that no plan can hold them.
    """
    return _fewest(lambda more: between_two(base.longer(more), new.longer(more)), bound, confidence, equal)


def more_in_new(base: Mean, new: Mean, bound: float, confidence: float, equal: float) -> int | None:
    """Further blocks of the new run alone; arguments as for :func:`more_in_both`."""
    return _fewest(lambda more: between_two(base, new.longer(more)), bound, confidence, equal)


def more_runs(base: BaseRuns, new: Mean, bound: float, confidence: float, equal: float) -> int | None:
    """Further runs of the base; arguments as for :func:`more_in_both`."""
    return _fewest(lambda more: beyond_runs(base, new, more_runs=more), bound, confidence, equal, MOST_RUNS)


def _fewest(
    after: Callable[[int], LogEstimate], bound: float, confidence: float, equal: float, most: int = MOST_BLOCKS
) -> int | None:
    """The chance grows with what is added, so it is found by halving."""

    def enough(more: int) -> bool:
        return _chance(after(more), bound, confidence, equal) >= POWER

    if after(1).error is None or not enough(most):
        return None
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _chance(estimate: LogEstimate, bound: float, confidence: float, equal: float) -> float:
    """Chance to find either a difference or equivalence, whichever is likelier, were the value the true one."""
    if estimate.error is None or estimate.df <= 0:
        return 0.0
    # In the terms of power.chance_beyond: two blocks of such a scatter have this error and these degrees of freedom.
    scatter, size = Scatter(estimate.error * math.sqrt(2), estimate.df), abs(estimate.value)
    different = chance_beyond(size, scatter, 2, confidence)
    if size >= bound:
        return different
    within = (chance_beyond(gap, scatter, 2, equal) for gap in (bound - size, bound + size))
    return max(different, sum(within) - 1)
