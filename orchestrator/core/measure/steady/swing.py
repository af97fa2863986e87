"""Whether a series swings: its level wanders, or jumps to and fro, for too long to average out in what was seen.

A drift or a single step does not describe a workload that runs at one level for a minute and at another the next, nor
one that follows a slow tide. Both put more variance into long stretches than the neighbouring seconds account for. So
the series is cut into twelve stretches, and the variance of their levels is compared with the one that its own fast
changes predict:

* The prediction comes from an autoregression of order one with white noise on top, fitted by Whittle's likelihood
  (Whittle 1953) to the periodogram at frequencies that pass within one stretch; slower ones have no say. Differences
  are fitted, clipped, so
  that jumps between levels count as little as single wild seconds. Of all models within the likelihood interval the one
  with the largest slow variance is taken: a short series cannot tell, and then there is no alarm.
* The level of a stretch is its midmean (the mean of the middle half of its values; Tukey 1977), which regular short
  dips do not touch.

Frequencies, windows and the tapered periodogram: Priestley 1981, *Spectral Analysis and Time Series*, ch. 6 and 7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from orchestrator.core.measure.readings import Values
from orchestrator.core.measure.steady.calm import DEVIATION

STRETCHES = 12
"""What has gone up and down ten times or more averages out within twelve stretches; what is slower is seen in them."""
FEWEST_STRETCHES = 6
FEWEST_READINGS = 5
"""In a stretch, and fewer than ``FEWEST_STRETCHES`` such stretches show no swing."""
STRONGEST = 0.9
"""The strongest lag-1 correlation that counts as noise: beyond it a series wanders for minutes, which is a swing."""
LIKELIHOOD_DROP = 3.0
"""Models whose log-likelihood is this close to the best one are believed too (98.6 %, one parameter: Wilks 1938)."""
SIGNIFICANCE = 0.001
"""Of the test of the levels' variance; a false alarm costs a whole trial, and a swing that matters is far beyond it."""
CLIP = 4.0
"""Differences beyond so many deviations are jumps or wild seconds, and are clipped there."""
MOSTLY_EQUAL = 0.25
"""A median size of differences below this share of what their mean size makes one expect comes of equal neighbours."""
MIDMEAN = 1.2
"""Variance of a midmean over that of a mean, for normal values (simulated: 1.12 for five values, 1.19 for many)."""

_WHITE = (0.0, 0.5, 1.5, 4.0)
"""White noise added to the autoregression (rounding, wild seconds), in innovation variances."""
_MODELS = (np.repeat(np.linspace(0.0, STRONGEST, 16), len(_WHITE))[:, np.newaxis], np.tile(_WHITE, 16)[:, np.newaxis])
"""Coefficient and white part of each model, as columns."""


@dataclass(frozen=True)
class Swing:
    """A swing that is significant.

    Attributes:
        levels: the midmean of each stretch, in order.
        readings: how many a stretch holds.
        deviation: standard deviation of the level, without what noise adds to it; in the values' unit.
    """

    levels: tuple[float, ...]
    readings: int
    deviation: float

    @property
    def returns(self) -> bool:
        """Whether the last level was reached before and left again, which a late but single change does not do."""
        near = (max(self.levels) - min(self.levels)) / 4
        away = [abs(level - self.levels[-1]) > near for level in self.levels]
        return away.index(False) < max((place for place, gone in enumerate(away) if gone), default=-1)


def swing(series: Values) -> Swing | None:
    """Look for a swing.

    Args:
        series: finite values at even distances, without a warm-up.

    Returns:
        The swing; ``None`` when there is none, or the series is too short to tell it from correlated noise.
    """
    stretches = min(STRETCHES, len(series) // FEWEST_READINGS)
    if stretches < FEWEST_STRETCHES:
        return None
    readings = len(series) // stretches
    levels = _levels(series, stretches, readings)
    expected = _expected_variance(series, readings, slow=stretches // 2 + 1)
    if expected is None:
        return None
    expected *= MIDMEAN
    found = float(np.var(levels, ddof=1))
    freedom = stretches - 1
    if found * freedom <= expected * float(chdtri(freedom, SIGNIFICANCE)):
        return None
    return Swing(tuple(levels.tolist()), readings, math.sqrt(found - expected))


def _levels(series: Values, stretches: int, readings: int) -> Values:
    """The midmean of each stretch; what does not fill one is left out at the start."""
    ordered = np.sort(series[len(series) - stretches * readings :].reshape(stretches, readings), axis=1)
    quarter = readings // 4
    return np.asarray(ordered[:, quarter : readings - quarter].mean(axis=1), dtype=np.float64)


def _expected_variance(series: Values, readings: int, slow: int) -> float | None:
    """Variance of the mean of so many neighbours that the fast changes allow at most.

    Args:
        series: the values.
        readings: neighbours averaged.
        slow: frequencies up to so many cycles in the series are not looked at.

    Returns:
        ``None`` where there are no fast changes at all.
    """
    differences = np.diff(series)
    size = np.abs(differences - float(np.median(differences)))
    differences = differences - differences.mean()
    # Where most neighbours are equal (a coarsely rounded series), the mean size stands in for the median one.
    typical, average = DEVIATION * float(np.median(size)), math.sqrt(math.pi / 2) * float(size.mean())
    deviation = typical if typical > MOSTLY_EQUAL * average else average
    differences = np.clip(differences, -CLIP * deviation, CLIP * deviation)
    n = len(differences)
    taper = np.hanning(n + 2)[1:-1]
    power = np.abs(np.fft.rfft((differences - differences.mean()) * taper)) ** 2 / float(taper @ taper)
    cosine = np.cos(2 * np.pi * np.arange(len(power)) / n)[slow + 1 :]
    power = power[slow + 1 :]
    phi, white = _MODELS
    shape = (2 - 2 * cosine) * (1 / (1 - 2 * phi * cosine + phi**2) + white)
    innovation = (power / shape).mean(axis=1)
    if innovation.min() <= 0:
        return None
    likelihood = -len(power) * np.log(innovation) - np.log(shape).sum(axis=1)
    # Tapering makes neighbouring ordinates alike, so that they hold about half as many independent ones.
    believed = likelihood >= likelihood.max() - 2 * LIKELIHOOD_DROP
    return float((innovation * _variance_of_mean(readings))[believed].max())


def _variance_of_mean(readings: int) -> Values:
    """Variance of a mean of neighbours in each model, of unit innovations, exactly."""
    phi, n = _MODELS[0][:, 0], readings
    ratio = (1 + phi) / (1 - phi) - 2 * phi * (1 - phi**n) / (n * (1 - phi) ** 2)
    return np.asarray(ratio / n / (1 - phi**2) + _MODELS[1][:, 0] / n, dtype=np.float64)
