"""What a warm-up leaves behind: known for an exponential one, nothing for one that is over."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.measure.log import read_log
from orchestrator.core.measure.steady.transient import warm_up


def noise(seed: int, n: int, sd: float) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n) * sd


@pytest.mark.parametrize("first", [60, 100, 150])
@pytest.mark.parametrize("share", [-0.3, 0.3])
def test_an_exponential_tail_is_measured_with_its_sign(first, share):
    """The mean of a exp(-t/tau) from ``first`` to the end, by the geometric sum."""
    n, tau = 300, 50.0
    decay = share * np.exp(-np.arange(n) / tau)
    left, error = warm_up(1000 * (1 + decay) + noise(1, n, 5.0)).remainder(first)
    truth = float(decay[first:].mean())
    assert left * share > 0
    assert abs(left - truth) <= 2.5 * error + 0.0005
    assert 0 < error < max(0.004, abs(truth) / 2)


def test_it_is_seen_where_the_window_alone_shows_nothing():
    """A window of 60 s under noise of 8 % cannot show a drift of a few percent; the early part still tells."""
    found = []
    for seed in range(20):
        series = 1000 * (1 - 0.3 * np.exp(-np.arange(120) / 50)) + noise(seed, 120, 80.0)
        left, error = warm_up(series).remainder(60)
        found.append(abs(left) + 2 * error)
    assert np.median(found) > 0.02  # truth: 5 % at the window's beginning, 2 % at its middle


@pytest.mark.parametrize("shape", ["level", "step", "ramp"])
def test_a_warm_up_that_is_over_leaves_little(shape):
    time = np.arange(600)
    warm = {"level": 0 * time, "step": np.where(time < 100, -0.2, 0), "ramp": -0.3 * np.clip(1 - time / 100, 0, 1)}
    found = [warm_up(1000 * (1 + warm[shape]) + noise(seed, 600, 20.0)).remainder(150) for seed in range(20)]
    assert np.median([abs(left) for left, _ in found]) < 0.001
    assert np.median([error for _, error in found]) < 0.01


def test_later_windows_have_less_left():
    ended = warm_up(1000 * (1 - 0.4 * np.exp(-np.arange(600) / 40)) + noise(3, 600, 10.0))
    left = [abs(ended.remainder(first)[0]) for first in (0, 50, 100, 200, 300)]
    assert left == sorted(left, reverse=True)


@pytest.mark.parametrize("drift", [-0.006, -0.003, 0.003, 0.006])
@pytest.mark.parametrize("n", [300, 1500])
def test_a_drift_too_small_to_matter_is_not_followed_beyond_the_series(n, drift):
    """The mean is one that the throughput went through, and the interval holds the mean over the whole series."""
    for seed in range(5):
        found = read_log(None, 1000 * (1 + drift * (np.arange(n) / n - 0.5)) + noise(seed, n, 2.0))
        assert found.steady
        assert abs(found.mean / 1000 - 1) <= abs(drift) / 2 + 3 * 0.002 / np.sqrt(n)
        assert found.low <= 1000 <= found.high


def test_degenerate_series_leave_nothing():
    assert warm_up(np.full(40, 7.0)).remainder(10) == (0.0, 0.0)
    assert warm_up(np.zeros(40)).remainder(40) == (0.0, 0.0)


def test_another_unit_changes_nothing():
    series = 1000 * (1 - 0.3 * np.exp(-np.arange(200) / 30)) + noise(9, 200, 10.0)
    assert warm_up(series * 1024).remainder(60) == pytest.approx(warm_up(series).remainder(60), rel=1e-9)
