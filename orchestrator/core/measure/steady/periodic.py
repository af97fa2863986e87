"""Slowdowns that come back at even distances, such as checkpoints: part of the steady state, with a period.

Dips are found as stretches far below the running median, and counted off: the distance of neighbours gives a first
period, a straight line through their times against their numbers the final one (the times of a renewal with little
jitter; least squares). It counts as a period when nearly every cycle has its dip and nearly every deep dip its cycle;
wild seconds, which come at random, do not fit such a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure.readings import Values, binary_unit
from orchestrator.core.measure.steady.calm import DEVIATION, WINDOW, running_median

FEWEST_CYCLES = 4
"""Fewer dips lie on a line by chance."""
SHORTEST = 8
"""Readings: dips that come faster are the noise of neighbouring seconds."""
FEWEST_READINGS = 2 * WINDOW
FAR = 3.5
"""Deviations below the running median where a dip begins."""
SHALLOWEST = 0.04
"""Share of the level: what falls less is no slowdown that a window would have to fit."""
LOWEST = 0.1
"""Share of the level below which the running median is not divided by: there the workload stands still."""
GAP = 2
"""Readings: dips so close together are one."""
DEEP = 0.4
"""A dip counts when what it loses is this share of what the large ones lose."""
OFF = 0.12
LATE = 3.0
"""A dip may come early or late by this share of the period, and by no more than so many readings: a checkpoint that
waits for the one before it is a second or two late."""
REGULAR = 0.7
"""So many cycles have a dip, and so many deep dips a cycle: one may be missing, or a stall may come between."""


@dataclass(frozen=True)
class Period:
    """What comes back at even distances.

    Attributes:
        readings: from one to the next; a fraction, since a workload's clock is not the reader's.
        depth: how far the throughput falls, as a share of the mean (the median dip at its deepest reading).
        cycles: how many were seen.
    """

    readings: float
    depth: float
    cycles: float


def find_period(values: Sequence[float] | Values) -> Period | None:
    """Look for slowdowns that come back at even distances.

    Args:
        values: throughput at even distances, in order of time; readings that are no number are taken for usual ones.

    Returns:
        The period; ``None`` where there are no such slowdowns, or fewer than four cycles of them.
    """
    series = np.asarray(values, dtype=np.float64)
    finite = np.isfinite(series)
    if int(finite.sum()) < FEWEST_READINGS:
        return None
    series = np.interp(np.arange(len(series)), np.flatnonzero(finite), series[finite]) / binary_unit(series)
    level = float(np.median(series))
    if level <= 0:
        return None
    times, losses, depths = _dips(series, level)
    if len(times) < FEWEST_CYCLES:
        return None
    strong = losses >= DEEP * np.quantile(losses[np.argsort(losses)[-FEWEST_CYCLES:]], 0.5)
    found = _line(times[strong])
    if found is None:
        return None
    mean = float(series.mean())
    return Period(found, float(np.median(depths[strong])) * level / mean, len(series) / found)


def _dips(series: Values, level: float) -> tuple[Values, Values, Values]:
    """Centre, loss (readings times share of the level) and depth (share of the level) of each dip, in order."""
    middle = running_median(series, WINDOW)
    below = (middle - series) / np.maximum(middle, LOWEST * level)
    deviation = DEVIATION * float(np.median(np.abs(below)))
    low = np.flatnonzero(below > max(FAR * deviation, SHALLOWEST))
    if len(low) == 0:
        return np.empty(0), np.empty(0), np.empty(0)
    firsts = np.concatenate([[0], np.flatnonzero(np.diff(low) > GAP + 1) + 1])
    losses = np.add.reduceat(below[low], firsts)
    centres = np.add.reduceat(below[low] * low, firsts) / losses
    return centres, losses, np.maximum.reduceat(below[low], firsts)


def _line(times: Values) -> float | None:
    """The distance of times that lie on a line against their numbers, where they do."""
    if len(times) < FEWEST_CYCLES:
        return None
    distances = np.diff(times)
    for guess in np.unique(np.quantile(distances, [0.5, 0.25, 0.35, 0.65], method="nearest")):
        period = _fitted(times, float(guess))
        if period is not None:
            return period
    return None


def _fitted(times: Values, period: float) -> float | None:
    if period < SHORTEST:
        return None
    numbers = np.concatenate([[0], np.cumsum(np.maximum(np.round(np.diff(times) / period), 0))])
    for _ in range(3):
        place, slope = _through(numbers, times)
        if slope < SHORTEST:
            return None
        numbers = np.round((times - place) / slope)
    place, slope = _through(numbers, times)
    on_time = np.abs(times - place - slope * numbers) <= min(OFF * slope, LATE)
    cycles = numbers[-1] - numbers[0] + 1
    hit = len(np.unique(numbers[on_time]))
    if cycles < FEWEST_CYCLES or hit < REGULAR * cycles or on_time.sum() < REGULAR * len(times):
        return None
    return _through(numbers[on_time], times[on_time])[1]


def _through(numbers: NDArray[np.float64], times: Values) -> tuple[float, float]:
    """Where number 0 lies, and the distance from one number to the next; the median dip decides where few stray."""
    centred = numbers - numbers.mean()
    power = float(centred @ centred)
    slope = float(centred @ times) / power if power > 0 else 0.0
    return float(np.median(times - slope * numbers)), slope
