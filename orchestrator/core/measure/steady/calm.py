"""A series as it is searched: without single seconds, and without short dips, that lie far from their neighbours.

Dips and wild seconds are a workload's real cost and stay in the mean. But they must not decide where a warm-up ends or
whether a level drifts. A reading farther from the running median than so many deviations is replaced by it (the
identifier of Hampel 1974, as a filter: Pearson 2002). A running median follows steps and ramps, so they stay.

Coarsely rounded readings are spread evenly over the step to which they were rounded: a running median of two usual
values jumps between them, as if there were two levels.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from orchestrator.core.measure.readings import Values

WINDOW = 21
"""Readings of a running median: checkpoints last 2 to 5 s, and a quarter of the window does not move its median far."""
SHORTEST_WINDOW = 5
WINDOWS = 5
"""A short series has at least so many windows."""
DEVIATION = 1.4826
"""Standard deviation of normal values over their median distance from the median (Hampel 1974)."""
FAR = 4.0
"""Deviations: one normal reading in 16,000 is farther."""
RESTLESS = 0.1
"""A series in which fewer neighbours than this share differ does not show the step of its rounding."""
GOLDEN = 0.6180339887
"""Its multiples modulo 1 are spread evenly (Weyl 1916)."""


def calm(series: Values) -> Values:
    """The series without what is far from its neighbours.

    Args:
        series: finite, at least 5 readings.
    """
    window = min(WINDOW, max(SHORTEST_WINDOW, len(series) // WINDOWS)) // 2 * 2 + 1
    middle = running_median(series, window)
    distances = np.abs(series - middle)
    # Of a coarsely rounded series more than half may equal the median; then the others say what is usual.
    deviation = DEVIATION * float(np.median(distances))
    if deviation == 0:
        others = distances[distances > 0]
        deviation = DEVIATION * float(np.median(others)) if len(others) else 0.0
    return _between_steps(np.where(distances > FAR * deviation, middle, series))


def running_median(series: Values, window: int) -> Values:
    """The median of the readings around each one.

    At the start the window shrinks to what lies on both sides, so that a warm-up of a few seconds is not taken for a
    dip. At the end it keeps its length and its last place.

    Args:
        series: at least ``window`` readings.
        window: odd.
    """
    half = window // 2
    middle = np.asarray(median_filter(series, size=window, mode="nearest"), dtype=np.float64)
    middle[len(series) - half :] = middle[len(series) - half - 1]
    for index in range(half):
        middle[index] = sorted(series[: 2 * index + 1])[index]
    return middle


def _between_steps(series: Values) -> Values:
    steps = np.diff(np.unique(series))
    if len(steps) == 0 or np.count_nonzero(np.diff(series)) < RESTLESS * len(series):
        return series
    return series + float(steps.min()) * ((np.arange(len(series)) * GOLDEN) % 1 - 0.5)
