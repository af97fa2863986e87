"""The interval of a mean: degenerate series as the module's table decides them, and what must not change it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from orchestrator.core.measure.mean import Remainder, mean_interval, relative_half_width
from orchestrator.core.measure.results import Interval
from orchestrator.core.measure.steady.periodic import Period
from orchestrator.testing.series import known

NAN = float("nan")
SERIES = st.lists(st.floats(1, 1e4), min_size=5, max_size=120)


@pytest.mark.parametrize("values", [[], [NAN], [NAN, math.inf, -math.inf]])
def test_there_is_no_mean_of_nothing(values):
    assert mean_interval(values, 0.95) is None


@pytest.mark.parametrize("values", [[4.0], [4.0, 6.0], [4.0, 6.0, 5.0], [4.0, 6.0, 5.0, 5.0]])
def test_up_to_four_values_have_a_mean_without_bounds(values):
    found = mean_interval(values, 0.95)
    assert found == Interval(mean=np.mean(values), low=None, high=None, effective_samples=None)


@pytest.mark.parametrize("n", [5, 6, 7, 8, 9])
def test_from_five_values_on_there_are_bounds(n):
    found = mean_interval(known("T5")[-n:], 0.95)
    assert found is not None
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.mean < found.high
    assert 1 <= (found.effective_samples or 0) <= n


@pytest.mark.parametrize("n", [5, 50])
def test_a_constant_series_is_known_exactly(n):
    assert mean_interval([7.5] * n, 0.95) == Interval(mean=7.5, low=7.5, high=7.5, effective_samples=float(n))


def test_values_that_are_no_number_are_left_out_of_the_mean_but_keep_their_place():
    """Two gaps more or less change what is known of the correlation a little, and nothing else."""
    values = known("T3")
    spoilt = [*values[:20], NAN, *values[20:400], math.inf, *values[400:]]
    found, plain = mean_interval(spoilt, 0.95), mean_interval(values, 0.95)
    assert found is not None
    assert plain is not None
    assert found.mean == plain.mean
    assert found.high - found.low == pytest.approx(plain.high - plain.low, rel=0.05)
    assert mean_interval([NAN, *values, NAN, math.inf], 0.95) == plain  # before and after there is nothing to keep


@pytest.mark.parametrize("phi", [0.0, 0.6, 0.9])
def test_gaps_do_not_make_the_interval_narrower_than_it_may_be(phi):
    """A sixth of an AR(1) process missing at random; its variance is known exactly (see ``test_long_run``)."""
    rng = np.random.default_rng(12)
    covered = 0
    for _ in range(200):
        series = lfilter([1.0], [1.0, -phi], rng.standard_normal(780))[300:] + 100
        series[rng.random(480) < 1 / 6] = NAN
        found = mean_interval(series, 0.95)
        covered += found.low <= 100 <= found.high
    assert 182 <= covered <= 199


def dipping(rng, seconds: int, period: float, phi: float = 0.0) -> np.ndarray:
    """A level of 100 with noise, halved for three seconds in each period."""
    edges = np.arange(seconds + 1.0)
    spent = np.zeros(seconds + 1)
    for cycle in range(-1, int(seconds / period) + 2):
        spent += np.clip(edges - (cycle + 0.37) * period, 0, 3)
    noise = lfilter([1.0], [1.0, -phi], rng.standard_normal(seconds + 200))[200:] * math.sqrt(1 - phi**2)
    return 100 * (1 - 0.5 * np.diff(spent)) + noise


@pytest.mark.parametrize(
    ("period", "cycles", "phi"), [(30.4, 15, 0.0), (30.4, 15, 0.7), (75.0, 8, 0.0), (21.3, 60, 0.3)]
)
def test_regular_dips_are_no_noise(period, cycles, phi):
    """Whole periods: the mean is known from the dips' size, and the interval is that of the noise alone.

    Shown to fail: with the dips taken for noise it is several times wider.
    """
    rng, seconds = np.random.default_rng(13), round(cycles * period)
    truth, known_period = 100 - 50 * 3 / period, Period(period, 0.5, float(cycles))
    covered, widths, plain = 0, [], []
    for _ in range(120):
        series = dipping(rng, seconds, period, phi)
        found, without = mean_interval(series, 0.95, period=known_period), mean_interval(series, 0.95)
        covered += found.low <= truth <= found.high
        widths.append((found.high - found.low) / 2)
        plain.append((without.high - without.low) / 2)
    oracle = 1.96 * math.sqrt((1 + phi) / (1 - phi) / seconds)
    assert 107 <= covered <= 120
    assert np.median(widths) <= 1.4 * oracle
    assert np.median(plain) > 3 * np.median(widths)


def test_what_a_warm_up_left_is_taken_off_and_its_uncertainty_added():
    values = known("T1")[300:]
    plain, less = mean_interval(values, 0.95), mean_interval(values, 0.95, remainder=Remainder(-0.01, 0.0))
    assert less.mean == pytest.approx(1.01 * plain.mean)
    assert less.high - less.mean == pytest.approx(plain.high - plain.mean)
    wider = mean_interval(values, 0.95, remainder=Remainder(0.0, 0.01))
    assert wider.mean == plain.mean
    assert wider.high - wider.mean > max(plain.high - plain.mean, 0.01 * plain.mean)


def test_a_rate_over_three_seconds_counts_three_times():
    found = mean_interval([10.0, 10.0, 10.0, 10.0, 20.0], 0.95, weights=[1, 1, 1, 1, 3])
    assert found is not None
    assert found.mean == pytest.approx(100 / 7)


@pytest.mark.parametrize("confidence", [0, 1, 1.5, -0.5, NAN])
def test_a_confidence_that_is_none_is_refused(confidence):
    with pytest.raises(ValueError, match="confidence"):
        mean_interval([1.0, 2.0], confidence)


def test_weights_must_fit():
    with pytest.raises(ValueError, match="2 weights do not fit 3 values"):
        mean_interval([1.0, 2.0, 3.0], 0.95, weights=[1.0, 1.0])


@settings(max_examples=80, deadline=None, derandomize=True)
@given(SERIES, st.sampled_from([0.125, 4.0, 1024.0]))
def test_another_unit_gives_the_same_interval_in_that_unit(values, scale):
    plain, scaled = mean_interval(values, 0.95), mean_interval([v * scale for v in values], 0.95)
    assert plain is not None
    assert scaled is not None
    for bound in ("mean", "low", "high"):
        assert getattr(scaled, bound) == pytest.approx(getattr(plain, bound) * scale, rel=1e-9, abs=1e-6 * scale)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(SERIES)
def test_more_confidence_is_never_narrower(values):
    narrow, wide = mean_interval(values, 0.8), mean_interval(values, 0.99)
    assert narrow is not None
    assert wide is not None
    assert (relative_half_width(wide) or 0) >= (relative_half_width(narrow) or 0)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(SERIES)
def test_the_mean_is_inside_and_nobody_counts_more_values_than_there_are(values):
    found = mean_interval(values, 0.95)
    assert found is not None
    assert (found.low or 0) <= found.mean <= (found.high or 0)
    assert 1 <= (found.effective_samples or 0) <= len(values)


def test_four_times_the_data_halve_the_interval():
    noise = np.random.default_rng(8).standard_normal((60, 800)) + 100
    short = np.mean([relative_half_width(mean_interval(row[:200].tolist(), 0.95)) for row in noise])  # type: ignore[arg-type]
    long = np.mean([relative_half_width(mean_interval(row.tolist(), 0.95)) for row in noise])  # type: ignore[arg-type]
    assert short / long == pytest.approx(2, rel=0.1)


def test_relative_half_width_of_nothing_known():
    assert relative_half_width(Interval(mean=0.0, low=-1.0, high=1.0)) is None
    assert relative_half_width(Interval(mean=5.0, low=None, high=None)) is None
    assert relative_half_width(Interval(mean=-5.0, low=-6.0, high=-4.0)) == pytest.approx(0.2)
