"""Where readings stand on an even grid of time, so that a gap stays a gap.

Closing a series up over its gaps makes neighbours of readings that are none: their likeness is judged wrongly, and
slowdowns that come back at even distances no longer do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure.readings import Values

MOSTLY_GAPS = 4
"""A grid with so many places for each reading is no grid of theirs."""


def usual_step(times_s: Sequence[float]) -> float:
    """The usual (median) distance of two readings; for fewer than two of them, a second."""
    return float(np.median(np.diff(np.asarray(times_s, dtype=np.float64)))) if len(times_s) > 1 else 1.0


def places(times_s: Sequence[float]) -> NDArray[np.intp]:
    """The place of each reading, from 0 on, in units of the usual (median) distance.

    Where two readings would share a place, or next to all places were empty, they came at no even distances; then
    they are numbered.
    """
    times = np.asarray(times_s, dtype=np.float64)
    numbered = np.arange(len(times), dtype=np.intp)
    if len(times) < 3:
        return numbered
    found = np.rint((times - times[0]) / usual_step(times_s))
    if not np.isfinite(found).all() or (np.diff(found) < 1).any() or found[-1] >= MOSTLY_GAPS * len(times):
        return numbered
    return np.asarray(found, dtype=np.intp)


def spread(values: Sequence[float] | Values, at: NDArray[np.intp]) -> Values:
    """The values at their places, NaN elsewhere."""
    held = np.asarray(values, dtype=np.float64)
    if len(at) == 0 or at[-1] + 1 == len(at):
        return held
    found = np.full(int(at[-1]) + 1, np.nan)
    found[at] = held
    return found
