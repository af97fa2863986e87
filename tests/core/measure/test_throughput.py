"""From readings to rates: counts, rates, and everything that a program can print wrongly."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.samples import Reading
from orchestrator.core.measure.throughput import throughput

NAN = float("nan")


def readings(*values: float, start_s: float = 100.0, every_s: float = 1.0) -> list[Reading]:
    return [Reading(start_s + every_s * place, value) for place, value in enumerate(values)]


def test_counts_become_rates_over_their_own_intervals():
    found = throughput([Reading(10, 500), Reading(12, 700), Reading(13, 750)], "count")
    assert found.time_s == (12, 13)
    assert found.width_s == (2, 1)
    assert found.rate == (100, 50)
    assert found.problems == ()


@pytest.mark.parametrize(("per", "expected"), [("second", 2400.0), ("minute", 40.0), ("hour", 2400 / 3600)])
def test_rates_are_per_second_whatever_they_were_printed_in(per, expected):
    found = throughput(readings(2400, 2400, 2400), "rate", per)
    assert found.rate == pytest.approx([expected] * 3)


def test_the_first_rate_stands_for_a_usual_interval():
    found = throughput([Reading(10, 5), Reading(12, 5), Reading(14, 5), Reading(15, 5)], "rate")
    assert found.width_s == (2, 2, 2, 1)


def test_a_fall_of_a_count_leaves_its_interval_out_and_is_named():
    found = throughput(readings(100, 200, 300, 50, 150, 250), "count")
    assert found.rate == (100, 100, 100, 100)
    assert found.time_s == (101, 102, 104, 105)
    assert any("falls of the count" in problem and "3 s" in problem for problem in found.problems)


def test_one_reset_left_in_would_ruin_the_mean():
    values = [*range(0, 60_000, 1000), *range(0, 60_000, 1000)]
    found = throughput(readings(*values), "count")
    naive = [b - a for a, b in pairwise(values)]
    assert sum(found.rate) / len(found.rate) == 1000
    assert sum(naive) / len(naive) < 510


def test_a_single_low_count_is_no_restart():
    found = throughput(readings(1000, 2000, 7, 4000, 5000), "count")
    assert found.rate == (1000, 1000, 1000)
    assert found.width_s == (1, 2, 1)
    assert any("lower than both neighbours" in problem for problem in found.problems)


@pytest.mark.parametrize("bad", [NAN, math.inf, -math.inf, -3.0])
@pytest.mark.parametrize("figure", ["count", "rate"])
def test_values_that_cannot_be_are_left_out_and_named(bad, figure):
    found = throughput(readings(100, 200, bad, 400, 500), figure)
    assert all(math.isfinite(rate) and rate >= 0 for rate in found.rate)
    assert len(found.problems) == 1
    assert ": 1, first 2 s after the first reading" in found.problems[0]


def test_a_count_after_an_unreadable_one_covers_both_intervals():
    found = throughput(readings(100, 200, NAN, 400), "count")
    assert found.rate == (100, 100)
    assert found.width_s == (1, 2)


def test_a_rate_after_an_unreadable_one_covers_only_its_own():
    found = throughput(readings(100, 100, NAN, 100), "rate")
    assert found.width_s == (1, 1, 1)


def test_gaps_are_kept_and_named():
    found = throughput([Reading(t, 10 * t) for t in (0, 1, 2, 3, 9, 10, 11)], "count")
    assert found.rate == (10,) * 6
    assert any("gaps" in problem and "first 3 s" in problem for problem in found.problems)


def test_readings_that_do_not_come_later_are_left_out():
    found = throughput([Reading(1, 10), Reading(2, 20), Reading(2, 20), Reading(1.5, 15), Reading(3, 30)], "count")
    assert found.rate == (10, 10)
    assert any("not later" in problem and ": 2," in problem for problem in found.problems)


@pytest.mark.parametrize("figure", ["count", "rate"])
@pytest.mark.parametrize("few", [[], readings(5.0)])
def test_too_few_readings_give_an_empty_series(figure, few):
    found = throughput(few, figure)
    assert (found.time_s, found.rate) == ((), ())


def test_ten_thousand_bad_values_make_one_problem():
    found = throughput(readings(*[NAN] * 10_000), "rate")
    assert len(found.problems) == 1
    assert "10000" in found.problems[0]


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.lists(st.integers(0, 10_000), min_size=2, max_size=60))
def test_operations_are_conserved(steps):
    counts = [sum(steps[: place + 1]) for place in range(len(steps))]
    found = throughput(readings(*counts), "count")
    total = math.fsum(rate * width for rate, width in zip(found.rate, found.width_s, strict=True))
    assert total == pytest.approx(counts[-1] - counts[0])


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(allow_nan=True, allow_infinity=True), st.floats()), max_size=40),
    st.sampled_from(["rate", "count"]),
)
def test_nothing_that_a_program_prints_does_harm(pairs, figure):
    found = throughput([Reading(time, value) for time, value in pairs], figure)
    assert list(found.time_s) == sorted(found.time_s)
    assert all(width > 0 for width in found.width_s)
    assert all(rate >= 0 for rate in found.rate)
    assert len(found.problems) <= 7


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(-1000, 1000))
def test_another_start_of_the_clock_changes_only_the_times(shift):
    values = (10.0, 25.0, 30.0, 5.0, 12.0)
    here, there = throughput(readings(*values), "count"), throughput(readings(*values, start_s=100.0 + shift), "count")
    assert (here.rate, here.width_s, here.problems) == (there.rate, there.width_s, there.problems)
    assert [t + shift for t in here.time_s] == list(there.time_s)


def test_rubbish_beside_good_readings_costs_none_of_them() -> None:
    """Lines without a usable figure, stamped a moment beside the good ones, as a flooding guest prints them."""
    good = [Reading(float(second), 100.0 * second) for second in range(1, 31)]
    mixed = [
        reading
        for one in good
        for reading in (
            Reading(one.time_s + 0.0005, math.nan),
            Reading(1e9, -5.0),
            one,
            Reading(one.time_s + 0.0005, math.inf),
        )
    ]
    for figure in ("count", "rate"):
        clean, dirty = throughput(good, figure), throughput(mixed, figure)
        assert dirty.time_s == clean.time_s
        assert dirty.rate == clean.rate
        assert dirty.width_s == pytest.approx(clean.width_s, abs=1e-3)
        assert dirty.problems
