"""A scatter that grows is found with its size; heavy tails, dips and a level are none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import rankdata

from orchestrator.core.measure.steady.calm import calm
from orchestrator.core.measure.steady.variance_growth import FEWEST, average_ranks, variance_growth


def noise(seed: int, n: int, phi: float = 0.0, sd: float = 20.0) -> np.ndarray:
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return np.asarray(lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi))


@pytest.mark.parametrize("n", [300, 600, 1800])
@pytest.mark.parametrize("phi", [0.0, 0.7])
@pytest.mark.parametrize("times", [4.0, 8.0])
def test_growth_is_found_with_its_size(n, phi, times):
    """Linear growth from 1 to k: thirds scatter as their means, (1 + (k - 1) 5/6) over (1 + (k - 1) / 6)."""
    series = 1000 + noise(1, n, phi) * np.linspace(1, times, n)
    found = variance_growth(series, calm(series))
    assert found is not None
    assert found == pytest.approx((1 + (times - 1) * 5 / 6) / (1 + (times - 1) / 6), rel=0.4)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("n", [FEWEST, 120, 600])
def test_even_noise_does_not_grow(phi, n):
    series = [1000 + noise(seed, n, phi) for seed in range(100)]
    assert sum(variance_growth(one, calm(one)) is not None for one in series) <= 1


def test_heavy_tails_and_dips_are_no_growth():
    alarms = 0
    for seed in range(60):
        series = 1000 + 20 * np.random.default_rng(seed).standard_t(3, 600)
        series[300::45] *= 0.5
        alarms += variance_growth(series, calm(series)) is not None
    assert alarms == 0


def test_calm_and_wild_minutes_in_turns_are_no_growth():
    series = 1000 + noise(2, 1200) * np.where(np.arange(1200) // 100 % 2 == 0, 1.0, 3.0)
    assert variance_growth(series, calm(series)) is None


def test_short_and_constant_series_do_not_grow():
    assert variance_growth(np.arange(FEWEST - 1.0), np.arange(FEWEST - 1.0)) is None
    assert variance_growth(np.full(100, 5.0), np.full(100, 5.0)) is None


@pytest.mark.parametrize("values", [[], [3.0], [2.0, 2.0], [5.0, 1.0, 5.0, 3.0, 1.0, 5.0]])
def test_ranks_are_those_of_a_reference_library(values):
    assert average_ranks(np.array(values)).tolist() == rankdata(values).tolist()
