"""Mean, standard deviation and lag-1 autocorrelation, to the last digits that double precision can hold.

Sums are exact before their one rounding (Shewchuk 1997, :func:`math.fsum`), and the mean is taken off before anything
is squared, in two passes (Chan, Golub & LeVeque 1983), so that counts with a large common part lose no digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise


def mean(values: Sequence[float]) -> float:
    """Arithmetic mean.

    Raises:
        ValueError: when there is no value.
    """
    if not values:
        raise ValueError("the mean of no values does not exist")
    return math.fsum(values) / len(values)


def standard_deviation(values: Sequence[float]) -> float:
    """Sample standard deviation, with n - 1 below.

    Raises:
        ValueError: when there are fewer than two values.
    """
    if len(values) < 2:
        raise ValueError(f"a standard deviation takes two values or more, not {len(values)}")
    deviations = _deviations(values)
    return math.sqrt(math.fsum(d * d for d in deviations) / (len(values) - 1))


def lag1_autocorrelation(values: Sequence[float]) -> float:
    """Lag-1 autocorrelation: sum of (x_t - mean)(x_t+1 - mean) over the sum of (x_t - mean) squared.

    Raises:
        ValueError: when there are fewer than two values, or all are equal.
    """
    if len(values) < 2:
        raise ValueError(f"an autocorrelation takes two values or more, not {len(values)}")
    deviations = _deviations(values)
    power = math.fsum(d * d for d in deviations)
    if power == 0:
        raise ValueError("the autocorrelation of equal values does not exist")
    return math.fsum(a * b for a, b in pairwise(deviations)) / power


def _deviations(values: Sequence[float]) -> list[float]:
    centre = mean(values)
    deviations = [value - centre for value in values]
    rest = math.fsum(deviations) / len(deviations)  # what rounding the mean left behind
    return [d - rest for d in deviations]
