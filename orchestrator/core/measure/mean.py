"""The mean of a steady series with a confidence interval that stays honest when neighbouring values are alike.

What is decided for series that give no ordinary answer, here and in :mod:`~orchestrator.core.measure.steady_state`:

==================  =============================================  =================================================
series              :func:`mean_interval`                          ``steady_state``
==================  =============================================  =================================================
empty, or all NaN   ``None``: there is no mean                     not steady: too short
NaN or infinite     left out: a reading that is no number is       left out; the start is counted in the series as
                    unavailable, which is neither 0 nor an error   given
1 to 4 values       mean without bounds: nothing tells how         not steady: too short
                    far neighbours resemble each other
5 to 9 values       mean and bounds                                not steady: too short
constant            bounds equal to the mean; every value counts   steady from the start
==================  =============================================  =================================================
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from orchestrator.core.measure.long_run import Values, cautious_variance
from orchestrator.core.measure.moments import mean
from orchestrator.core.measure.results import Interval

FEWEST_FOR_BOUNDS = 5


def mean_interval(
    values: Sequence[float], confidence: float, weights: Sequence[float] | None = None
) -> Interval | None:
    """Mean and confidence interval of a stationary, possibly autocorrelated series.

    The half-width is the larger of an autoregressive and a batch-means one, each with Student's t at its own degrees of
    freedom (see :mod:`~orchestrator.core.measure.long_run`).

    Args:
        values: the series, in order of time.
        confidence: such as 0.95.
        weights: length of the interval each value stands for (a rate that covers three seconds counts three times in
            the mean); equal when not given.

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
    centre = _weighted_mean(series, None if weights is None else np.asarray(weights, dtype=np.float64)[positions])
    if n < FEWEST_FOR_BOUNDS:
        return Interval(mean=centre, low=None, high=None, effective_samples=None)
    if np.ptp(series) == 0:
        return Interval(mean=centre, low=centre, high=centre, effective_samples=float(n))
    spread = cautious_variance(series, confidence)
    half = spread.half_width(confidence)
    effective = min(float(np.var(series, ddof=1)) / spread.variance, float(n)) if spread.variance > 0 else float(n)
    return Interval(mean=centre, low=centre - half, high=centre + half, effective_samples=max(effective, 1.0))


def relative_half_width(interval: Interval) -> float | None:
    """Half the interval's width as a share of its mean; ``None`` where there are no bounds or the mean is 0."""
    if interval.low is None or interval.high is None or interval.mean == 0:
        return None
    return (interval.high - interval.low) / 2 / abs(interval.mean)


def finite_values(values: ArrayLike) -> tuple[Values, NDArray[np.intp]]:
    """The finite values of a series, and their positions in it."""
    series = np.asarray(values, dtype=np.float64)
    positions = np.flatnonzero(np.isfinite(series))
    return series[positions], positions


def _weighted_mean(series: Values, weights: Values | None) -> float:
    if weights is None:
        return mean(series.tolist())
    return math.fsum((series * weights).tolist()) / math.fsum(weights.tolist())
