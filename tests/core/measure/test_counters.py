"""Cumulative counters: differences, windows, resets, wraps, gaps, and counters that are not there."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.counters import delta, intervals
from orchestrator.core.measure.samples import Sample, Value

NAME = "vcpu.0.run_ns"


def samples(
    *values: Value | None, every_s: float = 1.0, uncertainty_s: float = 0.001, name: str = NAME
) -> list[Sample]:
    return [
        Sample(place * every_s, uncertainty_s, 0, {} if value is None else {name: value})
        for place, value in enumerate(values)
    ]


def test_consecutive_samples_become_intervals():
    course = intervals(samples(10, 30, 35), NAME)
    assert [(i.start_s, i.end_s, i.amount) for i in course.intervals] == [(0, 1, 20), (1, 2, 5)]
    assert course.intervals[0].uncertainty_s == pytest.approx(0.002)
    assert course.problems == ()


@pytest.mark.parametrize(
    ("start_s", "end_s", "amount"),
    [(0, 3, 60), (0, 1, 10), (0.5, 1, 5), (1.25, 1.75, 10), (0.5, 2.5, 40), (2, 2, 0)],
)
def test_amounts_are_interpolated_at_the_windows_ends(start_s, end_s, amount):
    assert delta(samples(0, 10, 30, 60), NAME, start_s, end_s) == pytest.approx(amount)


@pytest.mark.parametrize(("start_s", "end_s"), [(-0.1, 2), (0, 3.1), (5, 6), (2, 1)])
def test_a_window_that_is_not_covered_has_no_amount(start_s, end_s):
    assert delta(samples(0, 10, 30, 60), NAME, start_s, end_s) is None


def test_a_counter_that_is_not_there_is_unavailable_and_not_zero():
    course = intervals(samples(0, 1, 2), "vcpu.0.wait_ns")
    assert course.intervals == ()
    assert course.problems == ("vcpu.0.wait_ns is unavailable",)
    assert delta(samples(0, 1, 2), "vcpu.0.wait_ns", 0, 1) is None


def test_a_value_missing_in_between_loses_nothing():
    course = intervals(samples(0, None, 20, 30), NAME)
    assert [(i.start_s, i.end_s, i.amount) for i in course.intervals] == [(0, 2, 20), (2, 3, 10)]
    assert any("missing from 1 of 4" in problem for problem in course.problems)


def test_a_reset_makes_its_interval_unknown_and_spares_the_others():
    course = intervals(samples(1000, 2000, 5, 1005), NAME)
    assert [i.amount for i in course.intervals] == [1000, None, 1000]
    assert any("reset from 2000 to 5" in problem for problem in course.problems)
    assert course.amount(0, 1) == 1000
    assert course.amount(2, 3) == 1000
    assert course.amount(0, 3) is None
    assert course.amount(1.5, 3) is None


def test_a_counter_of_32_bits_that_wraps_is_put_right():
    course = intervals(samples(2**32 - 100, 50), NAME)
    assert course.intervals[0].amount == 150
    assert any("wrapped" in problem for problem in course.problems)


@pytest.mark.parametrize("before", [2**31, 2**32, 2**40, 4e9])
def test_a_fall_from_elsewhere_is_a_reset(before):
    assert intervals(samples(before, 50), NAME).intervals[0].amount is None


def test_iowait_may_fall_and_counts_as_not_having_grown():
    # Linux kernel documentation, filesystems/proc: iowait is unreliable and may decrease.
    name = "cpu.iowait_ticks"
    course = intervals(samples(10, 12, 11, 15, name=name), name)
    assert [i.amount for i in course.intervals] == [2, 0, 4]
    assert course.problems == ()


def test_gaps_are_kept_and_named():
    taken = [Sample(t, 0, 0, {NAME: 10 * t}) for t in (0, 1, 2, 3, 8, 9)]
    course = intervals(taken, NAME)
    assert course.amount(0, 9) == 90
    assert any("1 gap between samples" in problem and "5 s" in problem for problem in course.problems)


def test_samples_out_of_order_are_left_out():
    taken = [Sample(t, 0, 0, {NAME: v}) for t, v in ((0, 0), (1, 10), (1, 10), (0.5, 5), (2, 20))]
    course = intervals(taken, NAME)
    assert [i.amount for i in course.intervals] == [10, 10]
    assert any("2 samples are not later" in problem for problem in course.problems)


GROWTH = st.lists(st.integers(0, 2_000_000_000), min_size=2, max_size=20)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(GROWTH, st.floats(0, 1), st.floats(0, 1))
def test_amounts_add_up_over_any_cut(growth, one, other):
    counter = [sum(growth[:place]) for place in range(len(growth) + 1)]
    taken = samples(*counter)
    end = float(len(growth))
    first, second = sorted((one * end, other * end))
    parts = [delta(taken, NAME, a, b) for a, b in ((0.0, first), (first, second), (second, end))]
    assert None not in parts
    assert sum(parts) == pytest.approx(sum(growth), rel=1e-9, abs=1e-3)  # type: ignore[arg-type]


@settings(max_examples=40, deadline=None, derandomize=True)
@given(GROWTH, st.integers(-(2**30), 2**30))
def test_only_differences_mean_anything(growth, base):
    counter = [2**31 + base + sum(growth[:place]) for place in range(len(growth) + 1)]
    start = [sum(growth[:place]) for place in range(len(growth) + 1)]
    assert intervals(samples(*counter), NAME).intervals == intervals(samples(*start), NAME).intervals
