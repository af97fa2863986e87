"""How many blocks would decide: power of Student's t, taking the difference and the scatter seen so far as true.

The power of the t-test is that of the noncentral t distribution (Johnson & Welch 1940; Cohen 1988, ch. 2). The power of
showing equivalence by two one-sided tests (Schuirmann 1987) is bounded from below by the sum of both powers less one,
so the number of blocks errs on the large side.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.special import nctdtr, ndtr, stdtr

from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter, student

#: The chance with which the number of blocks given would decide, if the figures hold.
POWER = 0.90
#: A sequence of looks may end when the chance to decide by its last one is below this. Simulated with looks at 3 to 10
#: blocks, ratios 1 to 1.1, sd .3-3 % (tests/benchmarks/statistics/between_trials.py looks): 67.7 % are decided rightly
#: in 6.9 blocks without such an end, 67.1 % in 6.0 with it, 65.9 % in 5.5 with one at 20 %. It never adds an error,
#: since it says nothing but undecided.
HOPELESS = 0.10
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


def chance_to_decide(estimate: LogEstimate, bound: float, confidence: float, blocks: int) -> float | None:
    """Chance that the interval after ``blocks`` blocks in all clears 0 or lies within ``-bound`` to ``bound``.

    Predictive power (Spiegelhalter, Freedman & Blackburn 1986, Control. Clin. Trials 7, 8): the blocks measured so far
    count, the true difference is as uncertain as they leave it, the scatter stays as it is.

    Args:
        estimate: of the blocks so far.
        bound: the margin as a distance of logarithms.
        confidence: of the interval at the end, see :mod:`~orchestrator.core.verdict.inference.sequential`.
        blocks: at the end, more than now.

    Returns:
        ``None`` where the scatter is not known.
    """
    scatter, now = estimate.scatter, estimate.readings
    if scatter is None or estimate.df <= 0:
        return None
    half = student(confidence, scatter.df_per_block * (blocks - 1)) * scatter.sd / math.sqrt(blocks)
    spread = scatter.sd * math.sqrt(max(0.0, 1 / now - 1 / blocks))
    if spread == 0:
        size = abs(estimate.value)
        return 1.0 if size > half or size + half <= bound else 0.0

    def below(value: float) -> float:
        return float(stdtr(estimate.df, (value - estimate.value) / spread))

    room = bound - half
    # An interval within the bounds that also clears 0 is counted once.
    both = max(0.0, room - half)
    equivalent = below(room) - below(-room) if room > 0 else 0.0
    twice = below(half + both) - below(half) + below(-half) - below(-half - both)
    return min(1.0, below(-half) + 1 - below(half) + equivalent - twice)


def _fewest(chance: Callable[[int], float]) -> int | None:
    """The smallest number of blocks with enough power; the chance grows with the blocks."""
    if chance(MOST_BLOCKS) < POWER:
        return None
    low, high = 1, MOST_BLOCKS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= POWER else (middle, high)
    return high
