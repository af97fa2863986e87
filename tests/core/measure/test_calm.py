"""A series as it is searched: short dips gone, steps and warm-ups kept."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import median_filter

from orchestrator.core.measure.steady.calm import calm, running_median


def steady(seed: int, n: int = 600) -> np.ndarray:
    return 1000 + 10 * np.random.default_rng(seed).standard_normal(n)


def test_dips_and_wild_seconds_are_gone():
    plain = steady(1)
    dipped = plain.copy()
    dipped[np.arange(600) % 45 >= 41] *= 0.5
    dipped[100] *= 5
    assert np.abs(calm(dipped) - 1000).max() < 60


@pytest.mark.parametrize("place", [2, 7, 40, 300])
def test_a_step_stays_where_it_is_even_after_two_seconds(place):
    series = steady(2)
    series[:place] *= 0.7
    found = calm(series)
    assert np.median(found[:place]) < 750
    assert abs(np.median(found[place : place + 20]) - 1000) < 20


def test_normal_noise_is_hardly_touched():
    series = steady(3)
    assert np.count_nonzero(np.abs(calm(series) - series) > 1e-3) <= 3  # beyond four deviations; rounding apart


def test_the_median_is_that_of_scipy_away_from_the_ends():
    series = steady(4)
    assert np.array_equal(running_median(series, 21)[10:-10], median_filter(series, 21)[10:-10])
    assert running_median(series, 21)[0] == series[0]


def test_coarse_rounding_is_spread_and_two_levels_without_noise_are_not():
    rounded = np.round(steady(5) / 20) * 20
    assert len(np.unique(calm(rounded))) > 300
    assert np.abs(calm(rounded) - rounded).max() <= 10 + 1e-9
    levels = np.where(np.arange(600) // 100 % 2 == 0, 850.0, 1000.0)
    assert np.array_equal(calm(levels), levels)


@pytest.mark.parametrize("n", [5, 6, 10, 20, 21, 50])
def test_short_series_keep_their_length(n):
    assert len(calm(steady(6, n))) == n
