"""Two levels in turns: proved where the levels lie apart, and never by noise, waves, ramps or rounding."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.measure.steady.calm import calm
from orchestrator.core.measure.steady.regimes import FEWEST, regimes


def noise(seed: int, n: int, phi: float = 0.0, sd: float = 30.0) -> np.ndarray:
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return np.asarray(lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi))


def two_levels(n: int, held: int) -> np.ndarray:
    return np.where((np.arange(n) // held) % 2 == 0, 850.0, 1000.0)


@pytest.mark.parametrize("n", [300, 600, 1800])
@pytest.mark.parametrize("phi", [0.0, 0.5])
def test_two_levels_are_proved_with_their_figures(n, phi):
    found = regimes(two_levels(n, n // 8) + noise(1, n, phi))
    assert found is not None
    assert found.certain
    assert (found.low, found.high) == (pytest.approx(850, rel=0.02), pytest.approx(1000, rel=0.02))
    assert found.switches == np.count_nonzero(np.diff(two_levels(n, n // 8)))


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9, 0.95])
@pytest.mark.parametrize("n", [60, 300, 1200])
def test_noise_proves_nothing(phi, n):
    found = [regimes(calm(1000 + noise(seed, n, phi))) for seed in range(60)]
    assert sum(one is not None and one.certain for one in found) == 0


@pytest.mark.parametrize("cycles", [0.7, 1.5, 3.0, 8.0])
def test_a_wave_is_no_pair_of_levels(cycles):
    """The halves of a sine wave have means 4/pi amplitudes apart and deviate by sqrt(1/2 - 4/pi^2): 4.13 as much."""
    wave = 100 * np.sin(2 * np.pi * cycles * np.arange(900) / 900)
    series = 1000 + wave + noise(2, 900, sd=5.0)
    found = regimes(series)
    assert found is None or (not found.certain and not found.explains(series))


def test_one_step_and_a_ramp_are_no_turns():
    for path in (np.where(np.arange(600) < 400, 0, 150), np.linspace(0, 150, 600)):
        series = 1000 + path + noise(3, 600, sd=10.0)
        found = regimes(series)
        assert found is None or not found.certain


def test_a_rounded_series_has_no_levels():
    for seed in range(20):
        found = regimes(calm(np.round((1000 + noise(seed, 900, 0.9)) / 30) * 30))
        assert found is None or not found.certain


def test_levels_that_are_held_are_told_from_a_warm_up_of_several_parts():
    """Two visits before it comes to rest are turns; a peak of some seconds at the start, and ringing, are a warm-up."""
    time = np.arange(600)
    turns = np.select([time < 40, time < 120, time < 160, time < 230], [0, -150, 0, -150], 0)
    peak = np.select([time < 3, time < 20, time < 22, time < 60], [0, -150, 0, -150], 0)
    ringing = -200 * np.exp(-time / 40) * np.cos(3 * time / 40)
    for seed in range(20):
        found = [regimes(calm(1000 + path + noise(seed, 600, 0.3, sd=10.0))) for path in (turns, peak, ringing)]
        assert [one is not None and one.held and one.switches >= 3 for one in found] == [True, False, False]


def test_short_and_constant_series_have_none():
    assert regimes(two_levels(FEWEST - 1, 5)) is None
    assert regimes(np.full(100, 7.0)) is None
