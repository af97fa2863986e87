"""Impossible readings go, unusual ones stay."""

from __future__ import annotations

import math

import numpy as np
import pytest

from orchestrator.core.measure.cleaning import TOO_HIGH, clean

NAN = float("nan")


def steady(seed: int, n: int = 300) -> np.ndarray:
    return 1000 + 30 * np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize("place", [0, 1, 150, 298, 299])
@pytest.mark.parametrize("absurd", [-1.0, -250_000.0, 20_000.0, 4.29e9])
def test_a_counter_reset_is_left_out_with_its_reason(place, absurd):
    series = steady(1)
    series[place] = absurd
    found = clean(series)
    assert [left.index for left in found.left_out] == [place]
    assert "a counter was reset" in found.left_out[0].reason
    assert math.isnan(found.values[place])
    assert np.isfinite(np.delete(found.values, place)).all()


def test_two_resets_are_two():
    series = steady(2)
    series[[40, 200]] = [-5.0, 1e7]
    assert [left.index for left in clean(series).left_out] == [40, 200]


def test_real_slow_and_fast_seconds_stay():
    series = steady(3)
    series[::45] *= 0.3
    series[17] = 0.0
    series[200] *= 4  # the burst after a stall
    found = clean(series)
    assert found.left_out == ()
    assert np.array_equal(found.values, series)


def test_what_is_no_number_is_missing_and_not_left_out():
    series = steady(4)
    series[[3, 9]] = [NAN, math.inf]
    found = clean(series)
    assert found.left_out == ()
    assert np.isnan(found.values[[3, 9]]).all()


def test_a_low_beginning_does_not_make_the_rest_absurd():
    series = np.r_[np.full(30, 10.0), np.full(12, 1000.0)]
    assert clean(series).left_out == ()


def test_a_series_around_zero_is_no_throughput():
    series = np.random.default_rng(5).standard_normal(200)
    assert clean(series).left_out == ()


def test_it_takes_more_than_eight_times_the_level():
    series = np.full(100, 10.0)
    series[50] = 10.0 * TOO_HIGH
    assert clean(series).left_out == ()
    series[50] += 0.1
    assert len(clean(series).left_out) == 1


@pytest.mark.parametrize("values", [[], [1.0], [-1.0, 5.0], [NAN] * 5])
def test_short_series_are_left_as_they_are(values):
    assert clean(values).left_out == ()
    assert len(clean(values).values) == len(values)
