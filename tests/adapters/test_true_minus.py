"""Where a minus sign stands, and what keeps its hyphen: the sign is U+2212 of the Unicode Standard, 6.2 (Dash)."""

from __future__ import annotations

import io

import pytest
from rich.console import Console, Group

from orchestrator.adapters.report.screen import screen
from orchestrator.adapters.report.signs import MINUS, true_minus
from orchestrator.adapters.report.text import Given, Text

FIGURES = "4.7 % less (-6.1 % to -3.3 %), -6.1 to -3.3 %, offset -0.5 ms"


def drawn(text: Text, *, plain: bool = False) -> str:
    stream = io.StringIO()
    (screen(stream, plain=True) if plain else Console(file=stream, width=100)).print(Group(text))
    return stream.getvalue().rstrip()


def test_figures_with_a_unit_have_a_minus_sign() -> None:
    assert true_minus(FIGURES) == FIGURES.replace("-", MINUS)


@pytest.mark.parametrize(
    "text",
    [
        "two-bookings-t2",
        "2026-08-06 22:00",
        "0-1",
        "6.1.0-31 -> 6.1.0-32",
        "head -5 rates.csv",
        "13970..19171",
        "1-5 %",
    ],
)
def test_names_dates_ranges_and_options_keep_their_hyphen(text: str) -> None:
    assert true_minus(text) == text


def test_a_terminal_has_minus_signs_and_a_plain_page_hyphens() -> None:
    assert drawn(Text(FIGURES)) == FIGURES.replace("-", MINUS)
    assert drawn(Text(FIGURES), plain=True) == FIGURES
    assert drawn(Text(true_minus(FIGURES)), plain=True) == FIGURES


def test_what_somebody_else_wrote_keeps_its_signs_on_a_plain_page() -> None:
    title = "Is 5 µs ± 2 enough at -5 % and \N{MINUS SIGN}7 °C?"
    assert drawn(Given(title), plain=True) == title
    assert drawn(Text("5 µs ± 2"), plain=True) == "5 us +/- 2"
