"""Figures of a report's tables: the value as it is, the text as a person reads it, the unit in the heading."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.adapters.report.document.numbers import UNAVAILABLE, Times, changed, memory, percent, rates
from orchestrator.adapters.report.document.parts import Number


def test_rates_are_per_period_with_the_same_digits_below_each_other() -> None:
    assert rates([1.5, None, 2.25], 60.0) == [Number("90.0", 90.0), UNAVAILABLE, Number("135", 135.0)]


@pytest.mark.parametrize(
    ("ratio", "is_whole", "text"),
    [(1.41, False, "+41.0"), (0.953, False, "-4.7"), (0.99999, False, "0.0"), (1.0, True, "0"), (0.96, True, "-4")],
)
def test_a_change_has_a_sign_and_as_many_decimals_as_the_others(ratio: float, is_whole: bool, text: str) -> None:
    assert changed(ratio, is_whole=is_whole).text == text


@given(st.floats(0, 1), st.integers(0, 2))
def test_the_text_of_a_share_is_its_value_rounded(share: float, digits: int) -> None:
    found = percent(share, digits)
    assert found.value == share * 100
    assert float(found.text) == pytest.approx(share * 100, abs=0.51 * 10**-digits)


@pytest.mark.parametrize(("largest_s", "unit"), [(2.0, "s"), (8e-3, "ms"), (4e-5, "µs")])
def test_the_largest_time_sets_the_unit_of_all(largest_s: float, unit: str) -> None:
    times = Times([largest_s, largest_s / 100, None])
    assert times.unit == unit
    shown = times.column([largest_s, largest_s / 100, 0.0, None])
    assert [found.value for found in shown[:2]] == pytest.approx(
        [largest_s * times.factor, largest_s * times.factor / 100]
    )
    assert (shown[2].text, shown[3]) == ("0", UNAVAILABLE)


def test_a_size_is_in_gib_and_unknown_where_it_is_not_told() -> None:
    assert memory(512 * 2**20) == Number("0.5", 0.5)
    assert memory(None) == UNAVAILABLE
