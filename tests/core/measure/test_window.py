"""The steady window of a trial: whole periods, and what is known of its beginning."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.mean import mean_interval, relative_half_width
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.window import SteadyWindow, steady_window

RULES = Measure.model_validate({"every": "1 s", "warm-up": {"at-least": "10 s"}, "steady": {"at-least": "60 s"}})
LAUNCHED_S = 300.0


def window(rates, rules=RULES, kept=None) -> SteadyWindow:
    seconds = np.arange(1, len(rates) + 1)
    kept = np.ones(len(rates), dtype=bool) if kept is None else kept
    series = Throughput((LAUNCHED_S + seconds[kept]).tolist(), [1.0] * int(kept.sum()), rates[kept].tolist())
    found = steady_window(series, launched_s=LAUNCHED_S, rules=rules, confidence=0.95)
    assert isinstance(found, SteadyWindow)
    return found


def noisy(seconds: int, seed: int, sd: float = 5.0) -> np.ndarray:
    return 500 + np.random.default_rng(seed).standard_normal(seconds) * sd


def slowdowns(seconds: int, period: float) -> np.ndarray:
    """The share that is left: a third, for three seconds in each period."""
    edges = np.arange(seconds + 1.0)
    spent = sum(np.clip(edges - (cycle + 0.4) * period, 0, 3) for cycle in range(int(seconds / period) + 1))
    return 1 - np.diff(spent) * 2 / 3


def test_the_end_of_the_warm_up_is_an_interval_and_the_window_begins_behind_it():
    rates = noisy(600, 1) * (1 - 0.4 * np.exp(-np.arange(600) / 20))
    found = window(rates)
    within_one_percent = 20 * np.log(40)  # of the exponential, exactly
    assert found.earliest_s - 8 <= within_one_percent <= found.latest_s + 8
    assert found.window.start_s >= within_one_percent
    assert found.interval.low <= 500 <= found.interval.high


def test_a_window_holds_whole_periods_and_its_mean_counts_each_slowdown_once():
    for seconds in range(560, 606, 9):
        found = window(noisy(seconds, 2) * slowdowns(seconds, 45.5))
        assert found.period_s == pytest.approx(45.5, abs=0.3)
        cycles = found.length_s / found.period_s
        assert cycles == pytest.approx(round(cycles), abs=0.03)
        assert found.interval.mean == pytest.approx(500 * (1 - 2 / 45.5), rel=0.003)


def test_a_gap_does_not_shift_the_slowdowns():
    kept = np.ones(600, dtype=bool)
    for start in (130, 236, 391, 500):
        kept[start : start + 9] = False
    found = window(noisy(600, 3) * slowdowns(600, 45.5), kept=kept)
    assert found.period_s == pytest.approx(45.5, abs=0.3)
    assert found.interval.mean == pytest.approx(500 * (1 - 2 / 45.5), rel=0.003)


def test_a_counter_that_was_reset_is_in_no_mean():
    rates = noisy(300, 4)
    rates[200] = 9e7
    found = window(rates)
    assert [one.index for one in found.left_out] == [200]
    assert found.interval.mean == pytest.approx(500, rel=0.005)


def test_a_watched_trials_interval_is_wider_than_one_that_was_looked_at_once():
    found = window(noisy(300, 5))
    once = mean_interval(noisy(300, 5)[found.first : found.last + 1], 0.95)
    assert relative_half_width(found.interval) >= 1.1 * relative_half_width(once)
