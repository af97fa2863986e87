"""Checkpoints are found with their period; noise, wild seconds and single dips are none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.measure.steady.periodic import Period, find_period
from orchestrator.core.measure.steady.steady_state import Steady, steady_state


def noise(seed: int, n: int, phi: float = 0.0, sd: float = 20.0) -> np.ndarray:
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return np.asarray(lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi))


def dips(n: int, period: float, width: int, depth: float, late: np.ndarray | None = None) -> np.ndarray:
    """One factor a second."""
    factors = np.ones(n)
    for number in range(int(n / period) + 1):
        start = round(7 + number * period + (0 if late is None else late[number]))
        factors[start : start + width] = 1 - depth
    return factors


@pytest.mark.parametrize("period", [20.0, 33.3, 45.0, 60.0, 119.5])
@pytest.mark.parametrize(("width", "depth"), [(2, 0.3), (5, 0.7)])
@pytest.mark.parametrize("phi", [0.0, 0.7])
def test_a_period_is_found_to_a_hundredth(period, width, depth, phi):
    found = find_period(1000 * dips(600, period, width, depth) + noise(1, 600, phi))
    assert found is not None
    assert found.readings == pytest.approx(period, rel=0.01)
    assert found.depth == pytest.approx(depth / (1 - depth * width / period), abs=0.12)
    assert found.cycles == pytest.approx(600 / period, rel=0.02)


def test_checkpoints_that_come_late_are_still_periodic():
    late = np.random.default_rng(3).uniform(0, 2, 40)
    found = find_period(1000 * dips(900, 40.0, 3, 0.5, late=late) + noise(2, 900))
    assert found is not None
    assert found.readings == pytest.approx(40, rel=0.01)


def test_a_warm_up_in_front_does_not_hide_it():
    path = 1 - 0.5 * np.exp(-np.arange(600) / 30)
    found = find_period(1000 * path * dips(600, 50.0, 4, 0.5) + noise(4, 600))
    assert found is not None
    assert found.readings == pytest.approx(50, rel=0.02)


def test_gaps_do_not_move_it():
    series = 1000 * dips(600, 45.0, 4, 0.5) + noise(5, 600)
    series[[*range(100, 108), *range(390, 395)]] = math.nan
    found = find_period(series)
    assert found is not None
    assert found.readings == pytest.approx(45, rel=0.01)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_noise_and_wild_seconds_have_none(phi):
    alarms = 0
    for seed in range(60):
        series = 1000 + noise(seed, 600, phi)
        series[np.random.default_rng(seed).choice(600, 6, replace=False)] *= 0.4
        alarms += find_period(series) is not None
    assert alarms <= 1


def test_three_dips_are_too_few():
    assert find_period(1000 * dips(300, 100.0, 4, 0.5) + noise(6, 300)) is None


@pytest.mark.parametrize("values", [[], [5.0] * 100, [0.0] * 100, [math.nan] * 100, [1.0, 2.0] * 10])
def test_degenerate_series_have_none(values):
    assert find_period(values) is None


def test_a_steady_state_tells_its_period():
    found = steady_state(1000 * dips(600, 45.0, 4, 0.5) * (1 - 0.5 * np.exp(-np.arange(600) / 10)) + noise(7, 600))
    assert isinstance(found, Steady)
    assert isinstance(found.period, Period)
    assert found.period.readings == pytest.approx(45, rel=0.02)
