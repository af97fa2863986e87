"""What it explains to cut a series in two and give each part a level of its own."""

from __future__ import annotations

import numpy as np

from orchestrator.core.measure.readings import Values


def split_gains(values: Values) -> Values:
    """By how much each split lowers the sum of squared deviations.

    With S_k the sum of the first k deviations from the mean of all n, two means leave ``S_k^2 n / (k (n - k))`` less
    than one does (the between-group sum of squares of Fisher 1925). On a series in order of time the largest is the
    step of least squares; on sorted values it is the best threshold between two groups (Otsu 1979).

    Returns:
        One gain for each k from 1 to n - 1.
    """
    n = len(values)
    first = np.arange(1, n)
    bridge = np.cumsum(values - values.mean())[:-1]
    return np.asarray(bridge**2 * n / (first * (n - first)), dtype=np.float64)
