"""Long series with as many points as a screen can show, so that no dip and no peak is lost.

Each bucket of neighbouring readings keeps its lowest and its highest. A method that keeps the look of a curve, such as
the largest triangle (Steinarsson 2013), may drop a short dip; a reader would look for it in vain. The series itself
stays whole in the store.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from tsdownsample import MinMaxDownsampler

#: So many points are more than a plot of a thousand pixels can tell apart as extremes.
MOST = 400
_ENDS = 2
_A_BUCKET = 2


def kept(values: Sequence[float], most: int = MOST) -> list[int]:
    """Which readings of a series are drawn.

    Args:
        values: in order of time, each a finite number.
        most: points that may be drawn, at least four.

    Returns:
        Their indices, rising: all of a series that is short enough; else the first, the last, and the lowest and
        highest of each bucket.
    """
    if len(values) <= most:
        return [*range(len(values))]
    buckets = (most - _ENDS) // _A_BUCKET
    sampler = MinMaxDownsampler()  # type: ignore[no-untyped-call]  # its constructor takes nothing and says nothing
    extremes = sampler.downsample(np.asarray(values, dtype=np.float64), n_out=buckets * _A_BUCKET)
    return sorted({0, *extremes.tolist(), len(values) - 1})
