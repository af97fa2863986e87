"""A throughput log that somebody already has: the same judgement, in words."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from orchestrator.core.measure.log import read_log
from orchestrator.testing.series import autoregression, known

NAN = float("nan")


@pytest.mark.parametrize(
    ("name", "warm_up", "truth"),
    # Truth: the constants in the series' own formulas; warm-up: between what MSER says and the middle.
    [("T1", (128, 500), 100.0), ("T2", (200, 500), 100.0), ("T3", (0, 500), 0.0), ("T5", (22, 30), 100.0)],
)
def test_known_steady_logs(name, warm_up, truth):
    found = read_log(None, known(name))
    assert found.steady
    assert found.warm_up_end_s is not None
    assert warm_up[0] <= found.warm_up_end_s <= warm_up[1]
    assert found.low is not None
    assert found.high is not None
    assert found.mean is not None
    assert found.low <= truth <= found.high
    assert found.low < found.mean < found.high
    assert found.n == len(known(name))
    assert "Steady from reading" in found.sentence


@pytest.mark.parametrize(("name", "theirs"), [("T1", 99.893701), ("T2", 99.934701)])
def test_the_mean_agrees_with_the_reference_truncation(name, theirs):
    # pymser 1.0.22, batch 5: means after truncation; ours cuts later and takes off what the warm-up left.
    found = read_log(None, known(name))
    assert found.low <= theirs <= found.high
    assert found.mean == pytest.approx(theirs, rel=0.003)


def test_a_drifting_log_has_no_mean():
    found = read_log(None, known("T4"))
    assert not found.steady
    assert (found.warm_up_end_s, found.mean, found.low, found.high, found.effective_samples) == (None,) * 5
    assert found.sentence.startswith("Not steady: throughput drifts: +")


def test_effective_samples_are_few_where_neighbours_are_alike():
    # Exact for AR(1): n (1 - phi)/(1 + phi), about 0.053 n at phi = 0.9 and 0.33 n at 0.5.
    strong, weak = read_log(None, known("T3")), read_log(None, known("T1"))
    assert strong.effective_samples is not None
    assert weak.effective_samples is not None
    assert 10 <= strong.effective_samples <= 110
    assert 120 <= weak.effective_samples <= 500


def test_times_are_the_logs_own():
    values = known("T2")
    times = [1_700_000_000 + 2.0 * place for place in range(len(values))]
    found, plain = read_log(times, values), read_log(None, values)
    assert plain.warm_up_end_s is not None
    assert found.warm_up_end_s == times[int(plain.warm_up_end_s)]
    assert (found.mean, found.low, found.high) == (plain.mean, plain.low, plain.high)
    assert f"{found.warm_up_end_s:.0f} s" in found.sentence  # to the second, also since 1970


def test_few_effective_samples_are_called_few():
    values = [100 + value / 20 for value in itertools.islice(autoregression(0.95, 3), 150)]
    found = read_log(None, values)
    assert found.steady
    assert "That is few" in found.sentence


@pytest.mark.parametrize("values", [[], [5.0], [5.0] * 9, [NAN] * 30])
def test_short_logs_are_not_steady(values):
    found = read_log(None, values)
    assert not found.steady
    assert "it takes 10 to tell" in found.reason


def test_a_constant_log():
    found = read_log(None, [250.0] * 40)
    assert (found.steady, found.warm_up_end_s, found.mean, found.low, found.high) == (True, 0, 250, 250, 250)


def test_readings_that_are_no_number_are_counted():
    found = read_log(None, [NAN, *known("T5"), NAN])
    assert (found.steady, found.n, found.left_out) == (True, 60, 2)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ([0.0, 1.0], "2 times do not fit 3 values"),
        ([0.0, 2.0, 2.0], "reading 3 is at 2 s"),
        ([0.0, NAN, 2.0], "do not rise"),
    ],
)
def test_times_that_cannot_be_are_refused_in_words(times, words):
    with pytest.raises(ValueError, match=words):
        read_log(times, [1.0, 2.0, 3.0])


def test_what_is_not_known_to_the_second_is_said():
    found = read_log(None, known("T1"))
    assert 0 <= found.earliest_s <= found.latest_s <= 500
    assert found.window_s == (found.warm_up_end_s, 999.0)
    assert found.readings == 1000 - found.warm_up_end_s
    assert found.kind is None
    assert read_log(None, known("T4")).kind == "drift"


def slowed_down(seconds: int, period: float, seed: int) -> np.ndarray:
    """500 operations a second, a third of it for three seconds in each period."""
    edges = np.arange(seconds + 1.0)
    spent = sum(np.clip(edges - (cycle + 0.4) * period, 0, 3) for cycle in range(int(seconds / period) + 1))
    return 500 * (1 - np.diff(spent) * 2 / 3) + np.random.default_rng(seed).standard_normal(seconds) * 5


def test_regular_slowdowns_are_named_and_averaged_over_whole_periods():
    found = read_log(None, slowed_down(620, 45.5, 2).tolist())
    assert found.steady
    assert found.period_s == pytest.approx(45.5, abs=0.2)
    assert "every 45.5 readings" in found.sentence
    cycles = found.readings / 45.5
    assert cycles == pytest.approx(round(cycles), abs=0.02)
    assert found.low <= 500 * (1 - 2 / 45.5) <= found.high
    assert (found.high - found.low) / 2 < 0.005 * found.mean


def test_gaps_in_time_do_not_shift_the_slowdowns():
    """Shown to fail: with the readings closed up over the gaps the slowdowns come at no even distances."""
    values, rng = slowed_down(900, 45.5, 3), np.random.default_rng(4)
    kept = np.ones(900, dtype=bool)
    for start in rng.integers(0, 890, 12):
        kept[start : start + 10] = False
    times = 5000 + 2.0 * np.flatnonzero(kept)
    found = read_log(times.tolist(), values[kept].tolist())
    assert found.period_s == pytest.approx(91, abs=0.5)
    assert found.mean == pytest.approx(500 * (1 - 2 / 45.5), rel=0.003)
    closed_up = read_log(None, values[kept].tolist())
    assert closed_up.period_s is None or abs(closed_up.period_s - 45.5) > 0.5


def test_an_impossible_reading_is_left_out_and_named():
    values = known("T5")
    values[40] = -3e6
    found = read_log([100.0 + second for second in range(60)], values)
    assert [(one.at_s, one.value) for one in found.impossible] == [(140.0, -3e6)]
    assert "counter" in found.impossible[0].reason
    assert "1 reading was left out that cannot be true" in found.sentence
    assert found.low <= 100 <= found.high


def test_a_reading_weighs_as_much_as_its_time():
    """Distances of 1 + u / 3 s and rates of 50 + 10 u, u even over -1 to 1: 50 + 10/9 over time, 50 over readings."""
    u = np.random.default_rng(5).uniform(-1, 1, 1200)
    found = read_log(np.cumsum(1 + u / 3).tolist(), (50 + 10 * u).tolist())
    assert found.low <= 50 + 10 / 9 <= found.high
    assert found.low > 50.5
