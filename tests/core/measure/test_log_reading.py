"""A throughput log that somebody already has: the same judgement, in words."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.measure.log import read_log
from orchestrator.testing.series import known

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


def test_the_mean_agrees_with_the_reference_truncation():
    # pymser 1.0.22, batch 5: means after truncation 99.893701 (T1) and 99.934701 (T2); ours cuts a little later.
    assert read_log(None, known("T1")).mean == pytest.approx(99.893701, abs=0.1)
    assert read_log(None, known("T2")).mean == pytest.approx(99.934701, abs=0.1)


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
    values = (100 + np.repeat(np.random.default_rng(1).standard_normal(12), 10)).tolist()
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
