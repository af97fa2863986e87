"""Laws of scaling: how often the throughput of one, N threads or vCPUs give.

Amdahl 1967: a share of the work is serial, the rest is shared out: ``N / (1 + sigma (N - 1))``.

Gustafson 1988: the work grows with N, and each after the first brings all but the serial share:
``N - sigma (N - 1)``.

The Universal Scalability Law (Gunther 2007, *Guerrilla Capacity Planning*, ch. 4-6): beside queueing for what is shared
(sigma, as Amdahl's) every two exchange what they know, at a cost kappa, so that throughput has a peak:
``N / (1 + sigma (N - 1) + kappa N (N - 1))``.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Values: TypeAlias = NDArray[np.float64]


def gustafson(size: ArrayLike, sigma: float) -> Values:
    """Scaled speed-up of ``size`` over one by Gustafson's law (Gustafson 1988)."""
    n = np.asarray(size, dtype=np.float64)
    return n - sigma * (n - 1)


def universal(size: ArrayLike, sigma: float, kappa: float) -> Values:
    """Relative capacity of ``size`` by the Universal Scalability Law (Gunther 2007); Amdahl's where kappa is 0."""
    n = np.asarray(size, dtype=np.float64)
    return n / (1 + sigma * (n - 1) + kappa * n * (n - 1))


def peak_size(sigma: float, kappa: float) -> float:
    """Where the Universal Scalability Law has its maximum, sqrt((1 - sigma) / kappa); infinite without a peak."""
    if kappa <= 0:
        return math.inf
    return max(1.0, math.sqrt(max(0.0, 1 - sigma) / kappa))
