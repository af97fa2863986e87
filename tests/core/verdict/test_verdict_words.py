"""Numbers as a verdict writes them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.verdict.words import (
    capital,
    change,
    column,
    count,
    in_words,
    listed,
    number,
    ordinal,
    rate,
    so_many_of,
    span,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [(1, "one thread"), (2, "two threads"), (0, "no threads"), (12, "twelve threads"), (13, "13 threads")],
)
def test_counts(value: int, text: str) -> None:
    assert count(value, "thread") == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1, "first"),
        (2, "second"),
        (10, "tenth"),
        (11, "11th"),
        (12, "12th"),
        (21, "21st"),
        (102, "102nd"),
        (113, "113th"),
        (33, "33rd"),
    ],
)
def test_ordinals(value: int, text: str) -> None:
    assert ordinal(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (2400, "2400"),
        (40.0, "40"),
        (24.504, "24.5"),
        (0.012345, "0.01235"),
        (123456.7, "123457"),
        (0, "0"),
        (999.96, "1000"),
        (1e-9, "1e-09"),
        (-12.5, "-12.5"),
    ],
)
def test_figures_keep_four_digits(value: float, text: str) -> None:
    assert number(value) == text


@given(st.floats(1e-6, 1e14))
def test_figures_can_be_read_back(value: float) -> None:
    assert float(number(value)) == pytest.approx(value, rel=6e-4)


@pytest.mark.parametrize(
    ("values", "texts"),
    [
        ([0.45, 0.456], ["0.450", "0.456"]),
        ([17101.2, 950, 12.5], ["17101", "950.0", "12.50"]),
        ([24, 24], ["24", "24"]),
        ([10, 2.5, 0], ["10", "2.5", "0"]),
        ([-1.5, 0.0456], ["-1.50", "0.0456"]),
        ([1e-9, 1.25], ["1e-09", "1.25"]),
        ([], []),
    ],
)
def test_figures_below_each_other_have_the_same_number_of_digits(values: list[float], texts: list[str]) -> None:
    assert column(values) == texts


@given(st.lists(st.floats(1e-6, 1e14)))
def test_a_column_says_the_same_figures(values: list[float]) -> None:
    assert [float(text) for text in column(values)] == [float(number(value)) for value in values]


@pytest.mark.parametrize(
    ("part", "whole", "text"),
    [
        (1, 1, "the only trial"),
        (2, 2, "both trials"),
        (5, 5, "all five trials"),
        (1, 2, "one of two trials"),
        (3, 13, "three of 13 trials"),
    ],
)
def test_parts_of_a_whole(part: int, whole: int, text: str) -> None:
    assert so_many_of(part, whole, "trial") == text


def test_rates_name_their_period() -> None:
    assert [rate(40, per) for per in ("second", "minute", "hour")] == ["40 a second", "2400 a minute", "144000 an hour"]


@pytest.mark.parametrize(
    ("ratio", "whole", "text"),
    [
        (2500 / 2400, True, "4 % more"),
        (2500 / 2400, False, "4.2 % more"),
        (1.04, False, "4.0 % more"),
        (0.6125, True, "39 % less"),
        (1.004, True, "the same to within half a percent"),
        (1.0, False, "the same to within a twentieth of a percent"),
        (0.9996, False, "the same to within a twentieth of a percent"),
    ],
)
def test_changes_say_no_more_than_is_known(ratio: float, whole: bool, text: str) -> None:
    assert change(ratio, whole=whole) == text


def test_spans_carry_their_signs() -> None:
    assert span(0.97, 1.034) == "-3.0 % to +3.4 %"
    assert span(1.0, 1e30) == "0.0 % to more than a hundredfold"


def test_lists_and_capitals() -> None:
    assert [listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])] == ["a", "a and b", "a, b and c"]
    assert listed(["a", "b"], joint="or") == "a or b"
    assert capital("this Shape") == "This Shape"
    assert capital("") == ""
    assert in_words(7) == "seven"
