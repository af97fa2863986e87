"""Whether a series runs at two levels in turns, rather than once changing or swaying.

The readings are divided by the threshold that separates two groups best (largest variance between groups: Otsu 1979),
after a running median, so that single seconds are no visits. Two things tell regimes from anything else:

* The groups lie apart: the distance of their means is many times the deviation within them. Noise, however alike its
  neighbours are, fills the middle, and so do waves and ramps (bimodality: Ashman, Bird & Zepf 1994).
* Two levels leave less unexplained than one step or a sine wave of any slow frequency does (least squares).

The first is proof; the second only names what is known not to be level. A series that went to and fro before it came to
rest is judged more strictly (:attr:`Regimes.held`): a warm-up of several parts may look like that for some seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from orchestrator.core.measure.readings import Values
from orchestrator.core.measure.steady.calm import running_median
from orchestrator.core.measure.steady.split import split_gains

FEWEST = 40
"""Readings below which nothing is said."""
WINDOWS = 40
"""The running median looks at a fortieth of the series: regimes that last less average out."""
SHORTEST, LONGEST = 5, 15
"""Readings of its window."""
FEWEST_SWITCHES = 2
"""One change from one level to another is a step."""
APART, APART_FEW = 4.4, 120.0
"""Groups lie apart by more than the first plus the second over the number of readings, in deviations within them.
A sine wave's halves lie 4.13 apart; autoregressive noise of lag-1 correlation up to 0.95 stays below in 3,000 simulated
series of 60 to 1,800 readings."""
FAR_APART, LONG_VISIT = 6.0, 15
"""Levels that are held lie apart by more than this, in deviations within the wilder group, and each visit but the last
lasts at least so many readings. Of 3,700 simulated steady series with all sorts of warm-ups none was like that; where a
visit of one reading was enough, one in 300."""
BETTER = 0.85
"""Two levels must leave less than this share of what the rivals leave: their threshold was chosen freely."""
FREQUENCIES = 40
FEWEST_CYCLES, MOST_CYCLES = 0.3, 10.0
"""Waves tried: from what still looks like a drift, up to ten cycles in the series, beyond which it averages out."""


@dataclass(frozen=True)
class Regimes:
    """Two levels in turns.

    Attributes:
        low, high: the levels.
        switches: how often the series changes from one to the other.
        last: the reading after the last change.
        certain: whether the levels lie so far apart that nothing else can be.
        held: whether the levels are held for long and lie far apart; a warm-up does not go to and fro like that.
        left: sum of squares that they leave.
    """

    low: float
    high: float
    switches: int
    last: int
    certain: bool
    held: bool
    left: float

    def explains(self, series: Values) -> bool:
        """Whether the levels describe their series better than one step and than a wave."""
        return self.left < BETTER * min(_left_by_step(series), _left_by_wave(series))


def regimes(series: Values) -> Regimes | None:
    """Look for two levels.

    Args:
        series: finite readings, without a warm-up, dips and the steps of rounding
            (:func:`~orchestrator.core.measure.steady.calm.calm`).

    Returns:
        The levels; ``None`` when the series is short, or changes between them less than twice.
    """
    n = len(series)
    if n < FEWEST:
        return None
    window = min(max(SHORTEST, n // WINDOWS), LONGEST) // 2 * 2 + 1
    smooth = running_median(series, window)
    upper = smooth > _threshold(smooth)
    changes = np.flatnonzero(np.diff(upper))
    if len(changes) < FEWEST_SWITCHES:
        return None
    inside = float((smooth - np.where(upper, smooth[upper].mean(), smooth[~upper].mean())).std())
    wilder = max(float(smooth[upper].std()), float(smooth[~upper].std()))
    apart = float(smooth[upper].mean() - smooth[~upper].mean())
    low, high = float(series[~upper].mean()), float(series[upper].mean())
    return Regimes(
        low,
        high,
        switches=len(changes),
        last=int(changes[-1]) + 1,
        certain=apart > (APART + APART_FEW / n) * inside,
        held=apart > FAR_APART * wilder and int(np.diff(changes, prepend=-1).min()) >= LONG_VISIT,
        left=float(((series - np.where(upper, high, low)) ** 2).sum()),
    )


def _threshold(values: Values) -> float:
    ordered = np.sort(values)
    place = int(np.argmax(split_gains(ordered)))
    return float((ordered[place] + ordered[place + 1]) / 2)


def _left_by_step(series: Values) -> float:
    centred = series - series.mean()
    return float(centred @ centred - split_gains(series).max())


def _left_by_wave(series: Values) -> float:
    n = len(series)
    centred = series - series.mean()
    cycles = np.linspace(FEWEST_CYCLES, min(MOST_CYCLES, n / 4), FREQUENCIES)
    angles = 2 * np.pi * cycles[:, np.newaxis] * np.arange(n) / n
    cosines, sines = np.cos(angles), np.sin(angles)
    cosines -= cosines.mean(axis=1, keepdims=True)
    sines -= sines.mean(axis=1, keepdims=True)
    cc, ss, cs = (cosines**2).sum(axis=1), (sines**2).sum(axis=1), (cosines * sines).sum(axis=1)
    c, s = cosines @ centred, sines @ centred
    gain = (ss * c**2 - 2 * cs * c * s + cc * s**2) / np.maximum(cc * ss - cs**2, 1e-12 * cc * ss)
    return float(centred @ centred - gain.max())
