"""A catalogue on a page: a row a template, a sentence for each that is not as it should be, nothing without one."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console, Group

from orchestrator.adapters.report.templates_text import render_templates
from orchestrator.core.verdict.templates import TemplateFinding


def template(name: str, **changes: Any) -> TemplateFinding:
    """A template of which nothing is known but what is given."""
    facts: dict[str, Any] = dict.fromkeys(TemplateFinding.model_fields)
    named = {"template": name, "cell": f"{name}-bookings-t1", "shape": name, "workload": "bookings", "threads": 1}
    return TemplateFinding(**facts | named | {"sentence": f"Template {name} is told of."} | changes)


def page(*found: TemplateFinding, width: int = 80) -> str:
    screen = Console(file=io.StringIO(), width=width, highlight=False)
    screen.print(Group(*render_templates(found, margin=0.05, confidence=0.95, per="minute")))
    assert isinstance(screen.file, io.StringIO)
    return screen.file.getvalue()


SMALL = template(
    "small", throughput_per_s=20.0, next="large", share=0.614, share_low=0.591, share_high=0.63, expected=0.61,
    as_expected="as expected",
)  # fmt: skip
LARGE = template("large", throughput_per_s=32.58, before="small", rank="lost", gain=1.6)


def test_each_template_has_a_row_and_what_is_not_well_a_sentence() -> None:
    told = page(SMALL, LARGE)
    assert told.splitlines()[0] == "Templates (margin 5 %, 95 % confidence for all of them together)"
    assert "= small    small       1       1200      61.4 % 59.1..63 %     61 %" in told
    assert "- large    large       1       1955                                 lost" in told
    assert "Template large is told of." in told
    assert "Template small" not in told


def test_what_is_open_or_not_measured_has_a_sign_of_its_own() -> None:
    unseen = template("small", next="large", expected=0.5, as_expected="undecided")
    told = page(unseen, template("large", throughput_per_s=30.0, before="small", rank="undecided"))
    assert "? small    small       1       none           ?              50 %" in told
    assert "? large    large       1       1800                               open" in told


@pytest.mark.parametrize("width", [80, 200])
def test_long_names_and_several_loads_fit_the_page(width: int) -> None:
    long = {"shape": "a-shape-with-a-very-long-name-of-forty-ch", "template": "template-with-a-very-long-name-of-forty"}
    found = (SMALL.model_copy(update=long), LARGE, template("large", workload="fares", throughput_per_s=9.0))
    told = page(*found, width=width)
    assert all(len(line) <= width for line in told.splitlines())
    assert "bookings" in told
    assert "fares" in told
    assert "59.1..63 %" in told
    assert ("a-shape-with" in told) == (width == 200)


def test_without_templates_there_is_nothing() -> None:
    assert page() == ""
