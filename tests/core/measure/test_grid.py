"""Readings on an even grid of time: gaps stay gaps, and uneven readings are numbered."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.measure.grid import places, spread


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ([], []),
        ([7.0], [0]),
        ([5.0, 6.0, 7.0, 8.0], [0, 1, 2, 3]),
        ([5.0, 6.1, 6.9, 8.05], [0, 1, 2, 3]),  # a little early or late
        ([5.0, 6.0, 9.0, 10.0, 11.0], [0, 1, 4, 5, 6]),  # two are missing
        ([0.0, 0.5, 1.0, 1.5, 3.0], [0, 1, 2, 3, 6]),
        ([0.0, 1.0, 1.2, 2.2, 3.2], [0, 1, 2, 3, 4]),  # two would share a place: numbered
        ([0.0, 1.0, 2.0, 3.0, 1000.0], [0, 1, 2, 3, 4]),  # nothing but gaps: numbered
    ],
)
def test_places(times, expected):
    assert places(times).tolist() == expected


def test_values_are_spread_over_their_places():
    found = spread([1.0, 2.0, 3.0], np.array([0, 1, 4]))
    assert np.array_equal(found, [1.0, 2.0, np.nan, np.nan, 3.0], equal_nan=True)
