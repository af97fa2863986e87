"""The mean, to the last digits that double precision can hold.

Sums are exact before their one rounding (Shewchuk 1997, :func:`math.fsum`), so that counts with a large common part
lose no digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


def mean(values: Sequence[float]) -> float:
    """Arithmetic mean.

    Raises:
        ValueError: when there is no value.
    """
    if not values:
        raise ValueError("the mean of no values does not exist")
    return math.fsum(values) / len(values)
