"""What a warm-up may have left behind in the window that is to be measured.

A slow warm-up hides below the noise long before it is over: a window that shows no significant drift may still lie a
few percent off. Its early part is loud, though, and tells how fast it fades. So an exponential approach to the level is
fitted to the series from launch on (least squares over a grid of time constants, the rest linear: Golub & Pereyra
1973), and followed into the window. Not every warm-up is exponential; a ramp or a step is over when it is over. The
window itself has the last word: the tail counts only as far as a regression of the window's readings on it allows, one
standard error added.

Two fits are made, from launch and from a third of the cut on, since a fast beginning can hide a slow end; the larger
remainder counts.
"""

from __future__ import annotations

import math

import numpy as np

from orchestrator.core.measure.long_run import Values, cautious_variance

_TIME_CONSTANTS = 24
_SHORTEST = 3.0
"""Points; what fades faster leaves nothing behind."""
_POINTS = 300
"""A longer series is averaged to about so many points first: what fades slowly loses nothing, and a look stays fast."""
_LONGEST = 0.5
"""Of the series: what fades slower than that looks like a drift, and is judged as one."""


def left_of_warm_up(values: Values, first: int) -> float:
    """The share of the window's mean that a fading warm-up may still account for.

    Args:
        values: finite readings since launch, at even distances.
        first: first reading of the window; at least ten readings follow.

    Returns:
        The remainder's size as a fraction of the mean, 0 or more; 0 where the mean is 0 or the readings are all equal.
    """
    batch = max(len(values) // _POINTS, 1)
    points = values[len(values) % batch :].reshape(-1, batch).mean(axis=1)
    first = max(first - len(values) % batch, 0) // batch
    window = points[first:]
    level = abs(float(window.mean()))
    if level == 0 or np.ptp(window) == 0:
        return 0.0
    error = math.sqrt(cautious_variance(window, 0.95).variance * len(window))
    tails = [_tail(points[start:])[first - start :] for start in {0, first // 3}]
    return max(_allowed(tail, window, error) for tail in tails) / level


def _tail(values: Values) -> Values:
    """The fitted exponential part, one value for each reading."""
    n = len(values)
    constants = np.geomspace(_SHORTEST, max(_LONGEST * n, _SHORTEST + 1), _TIME_CONSTANTS)
    decays = np.exp(-np.arange(n) / constants[:, np.newaxis])
    centred = decays - decays.mean(axis=1, keepdims=True)
    products = centred @ (values - values.mean())
    squares = (centred**2).sum(axis=1)
    best = int(np.argmax(products**2 / squares))
    return np.asarray(products[best] / squares[best] * decays[best], dtype=np.float64)


def _allowed(tail: Values, window: Values, error: float) -> float:
    """The tail's mean, as far as the window's readings follow the tail (0: not at all, 1: fully)."""
    centred = tail - tail.mean()
    power = float(centred @ centred)
    if power == 0:
        return 0.0
    follows = float(centred @ (window - window.mean())) / power + error / math.sqrt(power)
    return min(max(follows, 0.0), 1.0) * abs(float(tail.mean()))
