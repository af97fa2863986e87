"""A series of readings as an array: its type, which of them are numbers, and a unit near their size."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Values = NDArray[np.float64]


def finite_values(values: ArrayLike) -> tuple[Values, NDArray[np.intp]]:
    """The finite values of a series, and their positions in it."""
    series = np.asarray(values, dtype=np.float64)
    positions = np.flatnonzero(np.isfinite(series))
    return series[positions], positions


def binary_unit(values: Values) -> float:
    """The power of two just below the largest magnitude; 1 for nothing but zeros.

    Squares of readings beyond 1e150, or below 1e-150, leave the range of double precision. Divided by this unit they
    stay within it, and a power of two changes no digit: a series in another unit gets the same answer.

    Args:
        values: NaN where one is missing, else finite.
    """
    held = values[np.isfinite(values)]
    largest = float(np.abs(held).max()) if len(held) else 0.0
    return math.ldexp(1.0, math.frexp(largest)[1] - 1) if largest > 0 else 1.0
