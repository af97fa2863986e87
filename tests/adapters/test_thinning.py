"""Thinning for the screen: nothing that stands out is lost, whatever the series."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.adapters.report.charts.thinning import MOST, kept

SERIES = st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=700)


@settings(deadline=None)
@given(SERIES, st.integers(2, 100).map(lambda half: 2 * half))
def test_the_lowest_and_the_highest_survive(series: list[float], most: int) -> None:
    drawn = [series[index] for index in kept(series, most)]
    assert min(drawn) == min(series)
    assert max(drawn) == max(series)


@settings(deadline=None)
@given(SERIES, st.integers(4, 200))
def test_no_more_than_asked_for_in_order_with_both_ends(series: list[float], most: int) -> None:
    indices = kept(series, most)
    assert len(indices) <= most
    assert indices == sorted(set(indices))
    assert indices[0] == 0
    assert indices[-1] == len(series) - 1


@settings(deadline=None)
@given(st.lists(st.floats(-1e9, 1e9), min_size=41, max_size=160))
def test_every_part_of_the_series_keeps_its_extremes(series: list[float]) -> None:
    """Of any stretch of two buckets one lies wholly within it, so what is drawn there reaches as far as that one."""
    most = 20
    drawn = kept(series, most)
    bucket = len(series) / ((most - 2) // 2)
    stretch = int(2 * bucket) + 2
    for start in range(0, len(series) - stretch, stretch):
        within = [series[index] for index in drawn if start <= index < start + stretch]
        middle = series[start + int(bucket) : start + int(bucket) + 2]
        assert min(within) <= min(middle)
        assert max(within) >= max(middle)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 19_999))
def test_a_single_low_reading_in_twenty_thousand_survives(place: int) -> None:
    series = [2400.0, 2401.0, 2402.0, 2403.0] * 5_000
    series[place] = 2399.0
    indices = kept(series)
    assert place in indices
    assert len(indices) <= MOST


@pytest.mark.parametrize("length", [0, 1, 2, MOST])
def test_a_short_series_is_left_as_it_is(length: int) -> None:
    assert kept([1.0] * length) == [*range(length)]
