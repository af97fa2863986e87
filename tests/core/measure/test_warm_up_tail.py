"""What a warm-up leaves behind: known for an exponential one, nothing for one that is over."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.measure.warm_up_tail import left_of_warm_up


def noise(seed: int, n: int, sd: float) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n) * sd


@pytest.mark.parametrize("first", [60, 100, 150])
@pytest.mark.parametrize("share", [-0.3, 0.3])
def test_an_exponential_tail_is_measured(first, share):
    """The mean of a exp(-t/tau) from ``first`` to the end, by the geometric sum."""
    n, tau = 300, 50.0
    decay = share * np.exp(-np.arange(n) / tau)
    series = 1000 * (1 + decay) + noise(1, n, 5.0)
    truth = abs(float(decay[first:].mean())) * 1000 / float(series[first:].mean())
    assert left_of_warm_up(series, first) == pytest.approx(truth, rel=0.35, abs=0.001)


def test_it_is_seen_where_the_window_alone_shows_nothing():
    """A window of 60 s under noise of 8 % cannot show a drift of a few percent; the early part still tells."""
    found = []
    for seed in range(20):
        series = 1000 * (1 - 0.3 * np.exp(-np.arange(120) / 50)) + noise(seed, 120, 80.0)
        found.append(left_of_warm_up(series, 60))
    assert np.median(found) > 0.02  # truth: 5 % at the median window


@pytest.mark.parametrize("shape", ["level", "step", "ramp"])
def test_a_warm_up_that_is_over_leaves_little(shape):
    """Neither a step nor a ramp is exponential: the window's own readings overrule the fit."""
    time = np.arange(600)
    warm_up = {"level": 0 * time, "step": np.where(time < 100, -0.2, 0), "ramp": -0.3 * np.clip(1 - time / 100, 0, 1)}
    found = [left_of_warm_up(1000 * (1 + warm_up[shape]) + noise(seed, 600, 20.0), 150) for seed in range(20)]
    assert np.median(found) < 0.004


def test_degenerate_series_leave_nothing():
    assert left_of_warm_up(np.full(40, 7.0), 10) == 0
    assert left_of_warm_up(np.zeros(40), 10) == 0
    assert left_of_warm_up(np.r_[np.zeros(10), np.full(30, 5.0)], 10) == 0


def test_another_unit_changes_nothing():
    series = 1000 * (1 - 0.3 * np.exp(-np.arange(200) / 30)) + noise(9, 200, 10.0)
    assert left_of_warm_up(series * 1024, 60) == pytest.approx(left_of_warm_up(series, 60), rel=1e-9)
