"""The mean of a series with slowdowns that come back: over whole cycles, with the variance from cycle to cycle.

A dip of five seconds in each minute is no noise. Over a window that holds whole cycles every dip is counted once for
each cycle, and what is left to chance is what differs from one cycle to the next. So the means of whole cycles take the
place of the seconds: all regularity within a cycle drops out of them, also where the period is no whole number of
readings, since the boundaries of cycles may lie within a reading (the running sum is interpolated).

Cycles are few, and their means alone would know little of noise that lasts from one to the next. So the readings
between the slowdowns have a say as well: with the slowdowns taken for gaps, they are a series like any other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure.long_run import (
    BATCHES,
    MeanVariance,
    autoregressive_variance,
)
from orchestrator.core.measure.readings import Values

FEWEST_CYCLES = 3
"""Below it, next to nothing is known of how cycles differ."""
_SLOW = 0.25
"""A reading of the profile belongs to the slowdown when it is lower than usual by so much of the lowest."""
_MOSTLY = 0.5
"""With fewer of the readings between slowdowns, the noise is not looked for there."""
_ENOUGH = 10
"""From so many cycles on, their own correlation can be estimated."""


def whole_cycles(readings: int, period: float) -> int:
    """How many readings, of at most so many, make a whole number of cycles; all of them when not one cycle is whole."""
    cycles = math.floor((readings + 0.5) / period)
    return min(round(cycles * period), readings) if cycles > 0 else readings


def cycle_means(values: Values, period: float, cycles: int = 1) -> Values:
    """Means over consecutive groups of so many cycles; what does not fill a group is left out at the start.

    Args:
        values: NaN where one is missing; the mean of such a group is that of the cycle's profile where it is known.
        period: readings from one slowdown to the next.
        cycles: in a group.
    """
    held = _filled(values, period)
    length = period * cycles
    count = math.floor((len(held) + 0.5) / length)
    edges = np.clip(len(held) - length * np.arange(count, -1, -1), 0, len(held))
    total = np.interp(edges, np.arange(len(held) + 1), np.concatenate(([0.0], np.cumsum(held))))
    return np.asarray(np.diff(total) / np.diff(edges), dtype=np.float64)


def periodic_variance(values: Values, period: float, confidence: float) -> MeanVariance | None:
    """Variance of the mean of a series with a period, the most cautious of several.

    Groups of cycles of which twenty fill the series are batch means whose edges suit the series (:mod:`long_run`); many
    cycles are also a series of their own, whose autoregression tells how a cycle resembles the one before; and the
    readings between slowdowns show the noise alone.

    Returns:
        ``None`` when fewer than three cycles are whole.
    """
    means = cycle_means(values, period)
    if len(means) < FEWEST_CYCLES:
        return None
    grouped = cycle_means(values, period, max(len(means) // BATCHES, 1))
    found = [MeanVariance(float(np.var(grouped, ddof=1)) / len(grouped), len(grouped) - 1)]
    if len(means) >= _ENOUGH:
        found.append(autoregressive_variance(means))
    between = _between_slowdowns(values, period)
    share = float(np.isfinite(between).mean())
    if share >= _MOSTLY:
        noise = autoregressive_variance(between)  # of a mean over these alone; the slowdowns' readings have their part
        found.append(MeanVariance(noise.variance * share, noise.freedom))
    return max(found, key=lambda estimate: estimate.half_width(confidence))


def _between_slowdowns(values: Values, period: float) -> Values:
    """The values with NaN in place of the slowdowns, which the profile of a cycle shows."""
    profile, phases = _profile(values, period)
    usual = float(np.median(profile))
    low = usual - profile > _SLOW * (usual - float(profile.min()))
    wide = low | np.roll(low, 1) | np.roll(low, -1)  # a slowdown may begin a reading early or late
    return np.asarray(np.where(wide[phases], np.nan, values), dtype=np.float64)


def _filled(values: Values, period: float) -> Values:
    """The values, with the profile where one is missing, so that a slowdown that was not seen is no speed-up."""
    held = np.isfinite(values)
    if held.all():
        return values
    profile, phases = _profile(values, period)
    return np.asarray(np.where(held, values, profile[phases]), dtype=np.float64)


def _profile(values: Values, period: float) -> tuple[Values, NDArray[np.intp]]:
    """The mean at each whole reading of a cycle, and at which of these each value stands."""
    held = np.isfinite(values)
    phases = np.floor(np.arange(len(values)) % period).astype(np.intp)
    places = int(phases.max()) + 1
    counts = np.bincount(phases[held], minlength=places)
    sums = np.bincount(phases[held], weights=values[held], minlength=places)
    return np.where(counts > 0, sums / np.maximum(counts, 1), float(values[held].mean())), phases
