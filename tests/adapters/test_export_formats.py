"""What the name of a report's file makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.adapters.report.export.formats import FORMATS, Format, format_of
from orchestrator.errors import InputError


@pytest.mark.parametrize("form", FORMATS)
def test_the_name_says_what_it_is_to_be(form: Format) -> None:
    assert format_of(Path(f"report.{form}"), None) == form
    assert format_of(Path(f"REPORT.{form.upper()}"), form) == form


def test_without_a_name_it_is_a_page_unless_told_otherwise() -> None:
    assert format_of(None, None) == "html"
    assert format_of(None, "pdf") == "pdf"


def test_a_name_without_a_known_suffix_needs_a_format() -> None:
    for name in ("report", "report.txt", "report.html.bak"):
        with pytest.raises(InputError, match=r"ends in none of \.html, \.pdf.*or say with --format"):
            format_of(Path(name), None)
        assert format_of(Path(name), "md") == "md"


def test_a_name_and_a_format_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(InputError, match=r"named as html and --format asks for pdf; name it report\.pdf, or leave"):
        format_of(Path("report.html"), "pdf")
