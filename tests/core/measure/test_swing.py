"""Swings: found where they are, and not found in noise, however alike its neighbours are."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.measure.steady.steady_state import NotSteady, Steady, steady_state
from orchestrator.core.measure.steady.swing import FEWEST_READINGS, FEWEST_STRETCHES, STRETCHES, swing


def noise(seed: int, n: int, phi: float = 0.0, sd: float = 20.0) -> np.ndarray:
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return np.asarray(lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi))


def two_levels(n: int, held: int, low: float = 850.0, high: float = 1000.0) -> np.ndarray:
    return np.where((np.arange(n) // held) % 2 == 0, high, low)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6, 0.9])
@pytest.mark.parametrize("n", [60, 300, 600])
def test_noise_is_no_swing(phi, n):
    """One alarm in a thousand is what the test's level allows; 3 in 60 would be thirty times as many."""
    assert sum(swing(1000 + noise(seed, n, phi, sd=60.0)) is not None for seed in range(60)) <= 2


def test_a_workload_at_two_levels_is_found_with_its_levels():
    found = swing(two_levels(600, 75) + noise(1, 600, 0.3))
    assert found is not None
    assert min(found.levels) == pytest.approx(850, rel=0.03)
    assert max(found.levels) == pytest.approx(1000, rel=0.03)
    assert (len(found.levels), found.readings) == (STRETCHES, 600 // STRETCHES)
    assert found.deviation == pytest.approx(75, rel=0.25)  # of two levels 150 apart: half of that


@pytest.mark.parametrize("cycles", [1.5, 2.5, 4.0])
def test_a_slow_tide_is_found(cycles):
    tide = 100 * np.sin(2 * np.pi * cycles * np.arange(600) / 600)
    found = swing(1000 + tide + noise(2, 600, 0.6))
    assert found is not None
    assert found.deviation == pytest.approx(100 / math.sqrt(2), rel=0.3)  # of a sine wave: amplitude over root two


def test_what_goes_up_and_down_often_averages_out():
    """Twelve stretches see nothing of what a stretch holds whole; checkpoints every 45 s are no swing in 10 minutes."""
    often = 100 * np.sin(2 * np.pi * 24 * np.arange(600) / 600)
    assert swing(1000 + often + noise(3, 600)) is None
    dips = 1000 + noise(4, 600)
    dips[np.arange(600) % 45 < 4] *= 0.5
    assert swing(dips) is None


def test_what_comes_back_is_told_from_a_late_change():
    there_and_back, late = swing(two_levels(600, 100)), swing(np.r_[np.linspace(600, 1000, 400), np.full(200, 1000.0)])
    assert there_and_back is not None
    assert there_and_back.returns
    assert late is not None
    assert not late.returns


def test_levels_without_noise_are_found_as_well():
    """Most neighbours are equal, so the median change is 0."""
    assert swing(two_levels(300, 40)) is not None


def test_a_coarsely_rounded_steady_series_is_no_swing():
    assert swing(np.round(100 + noise(5, 300, sd=0.3))) is None
    assert swing(np.full(300, 7.0)) is None


@pytest.mark.parametrize("n", [0, 1, FEWEST_STRETCHES * FEWEST_READINGS - 1])
def test_short_series_show_no_swing(n):
    assert swing(two_levels(n, 5)) is None


def test_a_swing_is_a_reason_to_refuse_with_figures():
    tide = 100 * np.sin(2 * np.pi * 3 * np.arange(600) / 600)
    found = steady_state(1000 + tide + noise(6, 600, 0.3))
    assert isinstance(found, NotSteady)
    assert found.kind == "swing"
    assert found.reason.startswith("swings: the levels of 12 stretches of ")
    # Midmeans of the tide itself, without noise, in the same twelve stretches.
    quarters = np.sort(1000 + tide.reshape(12, 50), axis=1)[:, 12:38].mean(axis=1)
    low, high = (float(word) for word in found.reason.split("between ")[1].split(",")[0].split(" and "))
    assert low == pytest.approx(quarters.min(), rel=0.01)
    assert high == pytest.approx(quarters.max(), rel=0.01)


def test_a_swing_that_is_certain_but_too_small_to_matter_is_no_reason():
    tide = 5 * np.sin(2 * np.pi * 3 * np.arange(1800) / 1800)
    series = 1000 + tide + noise(7, 1800, sd=3.0)
    assert swing(series) is not None
    assert isinstance(steady_state(series), Steady)


@pytest.mark.parametrize(("n", "least"), [(300, 15), (600, 27), (1800, 29)])
def test_most_bistable_series_are_refused(n, least):
    """Shown to fail: tests for one drift and one step alone refuse 7, 15 and 17 of these 30."""
    refused = 0
    for seed in range(30):
        held = int(n * np.random.default_rng(seed).uniform(0.08, 0.2))
        refused += isinstance(steady_state(two_levels(n, held) + noise(50 + seed, n, 0.5, sd=30.0)), NotSteady)
    assert refused >= least
