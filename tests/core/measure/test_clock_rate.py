"""Throughput by a clock that runs fast or slow: corrected, with what is not known of the clock in the interval."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.clock_rate import ClockRate, believed_rate, with_clock_uncertainty
from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.results import Interval
from orchestrator.core.measure.samples import Reading
from orchestrator.core.measure.throughput import throughput


def half_width(interval: Interval) -> float:
    assert interval.low is not None
    assert interval.high is not None
    return (interval.high - interval.low) / 2


def offsets(gain: float, *, over_s: float = 100.0, within_s: float = 0.001) -> tuple[Offset, Offset]:
    return Offset(5.0, within_s, 0.0, 9), Offset(5.0 + gain * over_s, within_s, over_s, 9)


def test_a_rate_per_guest_second_becomes_one_per_second_of_the_controller() -> None:
    """By definition: a clock that gains 2 s in 100 s shows 102 s; 1020 operations in those are 10 per second of it."""
    clock = believed_rate(*offsets(0.02))
    assert clock is not None
    found = throughput([Reading(t, 10.0) for t in range(1, 6)], "rate", clock=clock)
    assert found.rate == pytest.approx([10.2] * 5)
    assert found.clock == clock
    minutes = throughput([Reading(t, 600.0) for t in range(1, 6)], "rate", "minute", clock)
    assert minutes.rate == pytest.approx([10.2] * 5)


def test_a_count_needs_no_correction_and_keeps_the_clock_that_placed_it() -> None:
    clock = ClockRate(0.02, 1e-4)
    found = throughput([Reading(t, 10.0 * t) for t in range(1, 6)], "count", clock=clock)
    assert found.rate == pytest.approx([10.0] * 4)
    assert found.clock == clock
    assert throughput([Reading(1, 10.0), Reading(2, 20.0)], "rate").clock is None


@pytest.mark.parametrize("gain", [0.11, -0.5, -1.0, 30.0])
def test_a_clock_that_was_set_or_stood_still_is_not_corrected_by(gain: float) -> None:
    assert believed_rate(*offsets(gain)) is None


def test_without_both_offsets_there_is_no_rate() -> None:
    before, after = offsets(0.01)
    assert believed_rate(before, None) is None
    assert believed_rate(None, after) is None
    assert believed_rate(before, dataclasses.replace(after, at_s=before.at_s)) is None


def test_independent_contributions_add_as_squares() -> None:
    """JCGM 100:2008 (GUM), H.1: standard uncertainties of 25, 9.7, 2.9 and 16.6 nm of a gauge make 31.671 nm together.

    The published 32 nm are rounded; the unrounded value is the root of the sum of squares, computed by hand.
    """
    length_nm = 50_000_838.0
    found = Interval(mean=length_nm, low=length_nm - 25, high=length_nm + 25)
    for part_nm in (9.7, 2.9, 16.6):
        found = with_clock_uncertainty(found, ClockRate(0.0, part_nm / length_nm))
    assert half_width(found) == pytest.approx(31.671, abs=5e-4)
    assert found.mean == length_nm


def test_nothing_is_added_where_the_clock_did_not_go_in() -> None:
    interval = Interval(mean=10, low=9, high=11)
    assert with_clock_uncertainty(interval, None) == interval
    assert with_clock_uncertainty(interval, ClockRate(0.02, 0.0)) == interval
    bare = Interval(mean=10, low=None, high=None)
    assert with_clock_uncertainty(bare, ClockRate(0.0, 0.1)) == bare


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.floats(1e-3, 1e6), st.floats(0, 1), st.floats(0, 1), st.floats(0, 0.05), st.floats(0, 0.05))
def test_less_known_of_the_clock_never_narrows_an_interval(
    mean: float, below: float, above: float, one: float, other: float
) -> None:
    interval = Interval(mean=mean, low=mean * (1 - below), high=mean * (1 + above))
    less, more = (with_clock_uncertainty(interval, ClockRate(0.01, u)) for u in sorted((one, other)))
    assert less.low is not None
    assert less.high is not None
    assert more.low is not None
    assert more.high is not None
    slack = 1e-9 * mean
    assert more.low - slack <= less.low <= mean * (1 - below) + slack
    assert mean * (1 + above) - slack <= less.high <= more.high + slack


@pytest.mark.parametrize("corrected", [True, False])
def test_coverage_with_a_clock_of_unknown_rate(corrected: bool) -> None:
    """300 trials of 60 s by guests whose clocks gain up to 0.5 %, offsets known within 30 ms: 95 % of the intervals
    hold the truth, and hardly one would without the correction and what it adds (3 standard errors: 3.8 %)."""
    rng = np.random.default_rng(8)
    runs, truth, held = 300, 1000.0, 0
    for _ in range(runs):
        gain = rng.choice([-1, 1]) * rng.uniform(0.003, 0.005)
        within = 0.03
        before = Offset(5.0 + rng.uniform(-within, within), within, 0.0, 9)
        after = Offset(5.0 + 60 * gain + rng.uniform(-within, within), within, 60.0, 9)
        printed = truth / (1 + gain) * (1 + rng.normal(0, 0.002, 60))
        clock = believed_rate(before, after) if corrected else None
        series = throughput([Reading(float(t + 1), float(rate)) for t, rate in enumerate(printed)], "rate", clock=clock)
        interval = mean_interval(series.rate, 0.95)
        assert interval is not None
        interval = with_clock_uncertainty(interval, series.clock)
        assert interval.low is not None
        assert interval.high is not None
        held += interval.low <= truth <= interval.high
    assert held / runs >= 0.95 - 0.038 if corrected else held / runs < 0.05


def test_what_it_adds_at_usual_figures() -> None:
    """A trial of 60 s with both offsets known within 6 ms: 0.02 %, so 1 % becomes 1.0002 %. By hand: 0.012 / 60."""
    clock = believed_rate(*offsets(0.0, over_s=60.0, within_s=0.006))
    found = with_clock_uncertainty(Interval(mean=100, low=99, high=101), clock)
    assert half_width(found) == pytest.approx(math.hypot(1, 0.02), rel=1e-9)
    assert half_width(found) == pytest.approx(1.0002, abs=5e-6)
