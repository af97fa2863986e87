"""Whether a series becomes wilder while it runs, so that its early part says too little of what is to come.

Each reading's size is taken without the level and without what its neighbour foretells, and replaced by its rank among
all (as in the test of Levene 1960 for unequal variances; ranks, so that heavy tails and dips decide nothing). Ranks of
neighbours are averaged, and a straight line through the averages is tested with Student's t: its error is taken from
the averages themselves, so that calm and wild minutes that take turns are no growth.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import stdtr

from orchestrator.core.measure.readings import Values

FEWEST = 40
"""Readings below which nothing is said."""
GROUPS = 30
SMALLEST_GROUP = 3
"""Ranks are averaged in so many groups, of at least so many readings."""
SIGNIFICANCE = 1e-4
"""One-sided; a trial is judged by several tests, many times, and a false alarm costs all of it."""
SMALLEST_GROWTH = 1.5
"""Typical size in the last third over that in the first: less changes an interval by less than a fifth."""
STRONGEST = 0.95
"""Correlation of neighbours that is believed at most: a level that wanders looks like more."""


def variance_growth(series: Values, calmed: Values) -> float | None:
    """How many times as wild the last third is as the first.

    Args:
        series: finite readings at even distances, without a warm-up.
        calmed: the same without dips and wild seconds, for the level and the correlation of neighbours.

    Returns:
        The ratio of median sizes; ``None`` when there is no growth that is certain and matters.
    """
    if len(series) < FEWEST:
        return None
    centred = calmed - calmed.mean()
    power = float(centred @ centred)
    if power == 0:
        return None
    phi = min(max(float(centred[1:] @ centred[:-1]) / power, 0.0), STRONGEST)
    apart = series - float(np.median(series))
    sizes = np.abs(apart[1:] - phi * apart[:-1])
    third = len(sizes) // 3
    early, late = float(np.median(sizes[:third])), float(np.median(sizes[-third:]))
    if late <= SMALLEST_GROWTH * early:
        return None
    group = max(len(sizes) // GROUPS, SMALLEST_GROUP)
    count = len(sizes) // group
    ranks = average_ranks(sizes[len(sizes) - count * group :]).reshape(count, group).mean(axis=1)
    time = np.arange(count) - (count - 1) / 2
    ranks = ranks - ranks.mean()
    slope = float(time @ ranks) / float(time @ time)
    residuals = ranks - slope * time
    error = math.sqrt(float(residuals @ residuals) / (count - 2) / float(time @ time))
    if error == 0 or 1 - float(stdtr(count - 2, slope / error)) >= SIGNIFICANCE:
        return None
    return late / early if early > 0 else math.inf


def average_ranks(values: Values) -> Values:
    """The rank of each value from 1 on; equal ones share the mean of theirs, as in the tests of Wilcoxon (1945).

    Written out, since it is all that is needed of a package whose import takes longer than most commands work.
    """
    _, place, alike = np.unique(values, return_inverse=True, return_counts=True)
    last: Values = np.cumsum(alike, dtype=np.float64)
    shared: Values = last - (alike - 1) / 2
    return shared[place]
