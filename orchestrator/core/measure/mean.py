"""The mean of a steady series with a confidence interval that stays honest when neighbouring values are alike.

What is decided for series that give no ordinary answer, here and in
:mod:`~orchestrator.core.measure.steady.steady_state`:

==================  =============================================  =================================================
series              :func:`mean_interval`                          ``steady_state``
==================  =============================================  =================================================
empty, or all NaN   ``None``: there is no mean                     not steady: too short
NaN or infinite     left out, but it keeps its place: a reading    left out; the start is counted in the series as
                    that is no number is unavailable, which is     given
                    neither 0 nor an error
1 to 4 values       mean without bounds: nothing tells how         not steady: too short
                    far neighbours resemble each other
5 to 9 values       mean and bounds                                not steady: too short
constant            bounds equal to the mean; every value counts   steady from the start
==================  =============================================  =================================================
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure.cycles import periodic_variance
from orchestrator.core.measure.long_run import MeanVariance, cautious_variance, limited_by_tails
from orchestrator.core.measure.moments import mean
from orchestrator.core.measure.readings import Values, binary_unit, finite_values
from orchestrator.core.measure.results import Interval
from orchestrator.core.measure.steady.periodic import Period

FEWEST_FOR_BOUNDS = 5
REMAINDER_WEIGHT = 1.3
"""Deviations of the remainder that enter the half-width. Two would be a normal one's; the remainder is far from normal,
mostly nothing and seldom much. With 1.3, 94 to 96 of 100 series of known truth were covered, and 88 to 93 in the worst
family (``python tests/benchmarks/statistics series --only whole``, four seeds). 1.2 covered a little less, 1.5 made
intervals wider than they need be.
"""


@dataclass(frozen=True)
class Remainder:
    """What a warm-up has left in a mean.

    Attributes:
        share: of the mean, with its sign.
        deviation: standard deviation of that, as a share as well.
        weight: how many deviations enter the half-width.
    """

    share: float = 0.0
    deviation: float = 0.0
    weight: float = REMAINDER_WEIGHT


def mean_interval(
    values: Sequence[float] | Values,
    confidence: float,
    weights: Sequence[float] | Values | None = None,
    period: Period | None = None,
    remainder: Remainder | None = None,
) -> Interval | None:
    """Mean and confidence interval of a stationary, possibly autocorrelated series.

    The half-width is the larger of an autoregressive and a batch-means one, each with Student's t at its own degrees of
    freedom, fewer where a few wild values make most of the variance (see
    :mod:`~orchestrator.core.measure.long_run`; with a period, :mod:`~orchestrator.core.measure.cycles`).

    Args:
        values: the series, in order of time at even distances; what is no finite number is a gap.
        confidence: such as 0.95.
        weights: length of the interval each value stands for (a rate that covers three seconds counts three times in
            the mean); equal when not given.
        period: of slowdowns that come back; the values should then hold whole periods.
        remainder: what the warm-up has left in the mean. It is taken off, and its uncertainty widens the half-width
            as a second, independent component does (root of the sum of squares, JCGM 100:2008, 5.1.2).

    Returns:
        The interval, with the number of independent values that would give the same precision, which is never more
        than there are; ``None`` when no value is finite. See the table above for short and constant series.

    Raises:
        ValueError: when the confidence is not between 0 and 1, or the weights do not fit the values.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is not between 0 and 1")
    if weights is not None and len(weights) != len(values):
        raise ValueError(f"{len(weights)} weights do not fit {len(values)} values")
    series, positions = finite_values(values)
    n = len(series)
    if n == 0:
        return None
    unit = binary_unit(series)
    series = series / unit
    centre = _weighted_mean(series, None if weights is None else np.asarray(weights, dtype=np.float64)[positions])
    if n < FEWEST_FOR_BOUNDS:
        return Interval(mean=centre * unit, low=None, high=None, effective_samples=None)
    if np.ptp(series) == 0:
        return Interval(mean=centre * unit, low=centre * unit, high=centre * unit, effective_samples=float(n))
    spread = _variance(_with_gaps(series, positions), confidence, period)
    half = spread.half_width(confidence)
    if remainder is not None:
        half = math.hypot(half, remainder.weight * remainder.deviation * centre)
        centre -= remainder.share * abs(centre)
    effective = min(float(np.var(series, ddof=1)) / spread.variance, float(n)) if spread.variance > 0 else float(n)
    return Interval(
        mean=centre * unit,
        low=(centre - half) * unit,
        high=(centre + half) * unit,
        effective_samples=max(effective, 1.0),
        freedom=spread.freedom,
    )


def _variance(series: Values, confidence: float, period: Period | None) -> MeanVariance:
    found = None if period is None else periodic_variance(series, period.readings, confidence)
    return found or limited_by_tails(cautious_variance(series, confidence), series)


def _with_gaps(series: Values, positions: NDArray[np.intp]) -> Values:
    """The finite values at their places, from the first to the last."""
    if positions[-1] - positions[0] + 1 == len(series):
        return series
    found = np.full(int(positions[-1] - positions[0]) + 1, np.nan)
    found[positions - positions[0]] = series
    return found


def relative_half_width(interval: Interval) -> float | None:
    """Half the interval's width as a share of its mean; ``None`` where there are no bounds or the mean is 0."""
    if interval.low is None or interval.high is None or interval.mean == 0:
        return None
    return (interval.high - interval.low) / 2 / abs(interval.mean)


def _weighted_mean(series: Values, weights: Values | None) -> float:
    if weights is None:
        return mean(series.tolist())
    return math.fsum((series * weights).tolist()) / math.fsum(weights.tolist())
