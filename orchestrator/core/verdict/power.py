"""How many blocks would decide: power of Student's t, taking the difference and the scatter seen so far as true.

The power of the t-test is that of the noncentral t distribution (Johnson & Welch 1940; Cohen 1988, ch. 2). The power of
showing equivalence by two one-sided tests (Schuirmann 1987) is bounded from below by the sum of both powers less one,
so the number of blocks errs on the large side.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.special import nctdtr, ndtr

from orchestrator.core.verdict.uncertainty import LogEstimate, Scatter, student

#: The chance with which the number of blocks given would decide, if the figures hold.
POWER = 0.90
#: A plan cannot ask for more blocks; whatever needs more is too close to call.
MOST_BLOCKS = 1000


def chance_beyond(gap: float, scatter: Scatter, blocks: int, confidence: float) -> float:
    """Chance that the interval's near end lies beyond a bound.

    Args:
        gap: distance of the true log ratio from the bound, positive when it lies beyond.
        scatter: of one block.
        blocks: how many there are, at least 2.
        confidence: of the two-sided interval.
    """
    if scatter.sd == 0:
        return 1.0 if gap > 0 else 0.0
    df = scatter.df_per_block * (blocks - 1)
    quantile, shift = student(confidence, df), gap * math.sqrt(blocks) / scatter.sd
    below = float(nctdtr(df, shift, quantile))
    if math.isnan(below):
        # Far from the quantile the series gives up; the normal approximation (Abramowitz & Stegun 1964, 26.7.10) holds.
        below = float(ndtr((quantile * (1 - 1 / (4 * df)) - shift) / math.sqrt(1 + quantile**2 / (2 * df))))
    return 1.0 - below


def blocks_to_clear(estimate: LogEstimate, bound: float, confidence: float) -> int | None:
    """Blocks in all until the interval lies on the estimate's side of ``bound``.

    Returns:
        ``None`` when the scatter is unknown, the estimate lies on the bound, or more than ``MOST_BLOCKS`` are needed.
    """
    scatter = estimate.scatter
    if scatter is None:
        return None
    gap = abs(estimate.value - bound)
    return _fewest(lambda blocks: chance_beyond(gap, scatter, blocks, confidence))


def blocks_to_hold(estimate: LogEstimate, bound: float, confidence: float) -> int | None:
    """Blocks in all until the interval lies within ``-bound`` to ``bound``; ``None`` as for :func:`blocks_to_clear`."""
    scatter = estimate.scatter
    if scatter is None or abs(estimate.value) >= bound:
        return None
    low, high = bound + estimate.value, bound - estimate.value

    def chance(blocks: int) -> float:
        both = chance_beyond(low, scatter, blocks, confidence) + chance_beyond(high, scatter, blocks, confidence)
        return max(0.0, both - 1)

    return _fewest(chance)


def _fewest(chance: Callable[[int], float]) -> int | None:
    """The smallest number of blocks with enough power; the chance grows with the blocks."""
    if chance(MOST_BLOCKS) < POWER:
        return None
    low, high = 1, MOST_BLOCKS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= POWER else (middle, high)
    return high
