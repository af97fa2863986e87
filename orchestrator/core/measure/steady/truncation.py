"""Where to cut the warm-up off: the marginal standard error rule (MSER).

White 1997, *Simulation* 69:323, and White, Cobb & Spratt 2000: cut where the retained values give the smallest marginal
standard error, ``g(k) = sum over i >= k of (x_i - mean of x_k..x_n)^2 / (n - k)^2``. MSER-5 is the same on means of
five consecutive values.

Two traps of the rule are closed here. In the last few points ``g`` falls by chance, so these are not searched. And a
cut beyond the middle means that the series never settled, or that it is too short to tell (:attr:`Truncation.settled`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GUARDED_TAIL = 5
"""So many of the last points (or batches) are not searched."""


@dataclass(frozen=True)
class Truncation:
    """The cut that the rule proposes.

    Attributes:
        index: first value kept.
        statistic: g there.
        settled: whether the cut lies in the first half; beyond it there is no steady state, or no proof of one.
    """

    index: int
    statistic: float
    settled: bool


def mser(values: Sequence[float] | NDArray[np.float64], batch: int = 1) -> Truncation | None:
    """Find the cut of the smallest marginal standard error.

    Args:
        values: the series, finite, in order of time.
        batch: how many consecutive values are averaged first (5 for MSER-5); what does not fill a batch is left out at
            the end. The index that is returned counts single values.

    Returns:
        The cut; ``None`` when no batch is left to search.

    Raises:
        ValueError: when the batch is not positive.
    """
    if batch < 1:
        raise ValueError(f"a batch of {batch} values does not exist")
    curve = marginal_standard_error(values, batch)
    searched = curve[: max(len(curve) - GUARDED_TAIL, 0)]
    if len(searched) == 0:
        return None
    best = int(np.argmin(searched))
    return Truncation(best * batch, float(searched[best]), 2 * best <= len(curve))


def marginal_standard_error(values: Sequence[float] | NDArray[np.float64], batch: int = 1) -> NDArray[np.float64]:
    """g(k) for every cut k, in the square of the values' unit; one for each batch of values.

    The mean is taken off first: sums from the back keep their digits only when they are sums of small numbers.
    """
    series = np.asarray(values, dtype=np.float64)
    count = len(series) // batch
    if count == 0:
        return np.empty(0)
    means = series[: count * batch].reshape(count, batch).mean(axis=1)
    means -= means.mean()
    kept = np.arange(count, 0, -1, dtype=np.float64)
    total = np.cumsum(means[::-1])[::-1]
    squares = np.cumsum(means[::-1] ** 2)[::-1]
    return np.maximum(squares - total**2 / kept, 0.0) / kept**2
