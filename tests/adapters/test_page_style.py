"""The style sheet: colours come from the palette, and what is for one medium alone."""

from __future__ import annotations

import re

from orchestrator.adapters.report.charts.frame import FONT
from orchestrator.adapters.report.charts.palette import LIGHT
from orchestrator.adapters.report.document.parts import MARK_WORDS
from orchestrator.adapters.report.page import assets


def _own() -> str:
    """Without the palette, which stands first."""
    return assets.stylesheet().split("/* A measured sheet", 1)[1]


def test_the_style_sheet_has_no_colour_of_its_own() -> None:
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b|\b(rgb|hsl|oklch|lab)a?\(", _own())


def test_every_variable_is_a_colour_of_the_palette_or_declared() -> None:
    declared = set(re.findall(r"--([a-z-]+):", _own())) | set(LIGHT)
    assert set(re.findall(r"var\(--([a-z-]+)\)", _own())) <= declared


def test_charts_and_page_are_set_in_the_same_fonts() -> None:
    assert f"--sans: {FONT};" in _own()


def test_every_mark_that_is_shown_has_a_colour_and_a_word() -> None:
    for mark, word in MARK_WORDS.items():
        if mark != "none":
            assert word
            assert f".sign.{mark} " in _own()


def test_paper_opens_sections_and_leaves_out_what_cannot_be_used_on_it() -> None:
    paper = _own().split("@media print", 1)[1]
    assert "::details-content" in paper
    assert re.search(r"\.tool\b[^{]*\{ display: none; \}", paper)


def test_of_a_folded_trial_paper_has_the_chart_and_what_is_not_in_order() -> None:
    paper = _own().split("@media print", 1)[1]
    folded = "details.part:not([open]) > .inside:has(> .chart)"
    assert f"{folded} > :not(.chart, .checks) {{ display: none; }}" in paper
    assert f"{folded} > .checks > :not(.bad, .doubt) {{ display: none; }}" in paper


def test_braces_are_balanced() -> None:
    assert assets.stylesheet().count("{") == assets.stylesheet().count("}")
