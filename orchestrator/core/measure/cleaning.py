"""Readings that cannot be true are left out; those that are only unusual stay.

A throughput is never negative, and no machine does many times its usual work in a single second. Where a log says so,
a counter was reset or wrapped between two readings. One such reading ruins every mean. Slow seconds are another matter:
they are the workload's real cost, and leaving them out (by 1.5 interquartile ranges, say) makes the mean too high.

A series that is negative in more than a few readings is no throughput; nothing is left out of it for its sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from orchestrator.core.measure.readings import Values

TOO_HIGH = 8.0
"""Times the usual level. A counter that jumps adds what it has counted so far, tens or thousands of seconds' worth; a
burst after a stall of a few seconds stays below. Common practice, no published source."""
LONGEST_JUMP = 2
"""Readings: a jump that lasts longer is a change of the level, which another judgement names."""
MOST_NEGATIVE = 0.05
"""Share of readings: a series that is negative more often is no throughput."""
NEIGHBOURS = 9
"""Readings whose median is the level around a reading, so that a low beginning does not make the rest absurd."""


@dataclass(frozen=True)
class LeftOut:
    """A reading that was left out, and why in words."""

    index: int
    reason: str


@dataclass(frozen=True)
class Cleaned:
    """A series without impossible readings.

    Attributes:
        values: as given, with NaN in place of what is impossible or was no finite number.
        left_out: the impossible readings in order; those that were no number are not among them.
    """

    values: Values
    left_out: tuple[LeftOut, ...]


def clean(values: Sequence[float] | Values) -> Cleaned:
    """Leave impossible readings out: negative ones, and single ones that are absurdly high.

    Args:
        values: throughput at even distances, in order of time, in any unit.
    """
    series = np.array(values, dtype=np.float64)
    finite = np.isfinite(series)
    series[~finite] = np.nan
    read = series[finite]
    if len(read) < 3:
        return Cleaned(series, ())
    positions = np.flatnonzero(finite)
    negative = read < 0
    if float(negative.mean()) > MOST_NEGATIVE or float(np.median(read)) <= 0:
        return Cleaned(series, ())
    level = np.maximum(float(np.median(read)), _around(np.where(negative, 0.0, read)))
    high = _short_runs(read > TOO_HIGH * level)
    reasons = {int(positions[index]): "negative: a counter was reset" for index in np.flatnonzero(negative)}
    for index in np.flatnonzero(high):
        times = f"{float(read[index]) / float(level[index]):.3g}"
        reasons[int(positions[index])] = f"{times} times the level around it: a counter was reset or wrapped"
    series[list(reasons)] = np.nan
    return Cleaned(series, tuple(LeftOut(index, reasons[index]) for index in sorted(reasons)))


def _around(read: Values) -> Values:
    """The level around each reading."""
    return np.asarray(median_filter(read, size=min(NEIGHBOURS, len(read)), mode="mirror"), dtype=np.float64)


def _short_runs(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The flags without runs longer than a jump lasts."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    kept = flags.copy()
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        if end - start > LONGEST_JUMP:
            kept[start:end] = False
    return kept
