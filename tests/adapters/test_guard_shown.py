"""The guard in every form that it is told in: text, JSON, Markdown and a JUnit report that fits the common schema."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import pytest
from comparison_values import EQUAL, OPEN, SLOWER, compared
from rich.console import Console

from orchestrator.adapters.report.guard_junit import guard_junit
from orchestrator.adapters.report.guard_markdown import guard_markdown
from orchestrator.adapters.report.guard_text import guard_json, render_guard
from orchestrator.adapters.report.json_out import to_json
from orchestrator.core.verdict.between_runs.guarded import guarded
from orchestrator.core.verdict.templates import TemplateFinding

SCHEMA = Path(__file__).parent.parent / "data" / "junit" / "junit-10.xsd"


def template(name: str, **changes: Any) -> TemplateFinding:
    """A template of which nothing is known but what is given."""
    facts: dict[str, Any] = dict.fromkeys(TemplateFinding.model_fields)
    named = {"template": name, "cell": f"{name}-bookings-t1", "shape": name, "workload": "bookings", "threads": 1}
    return TemplateFinding(
        **facts | named | {"throughput_per_s": 9.0, "sentence": f"Template {name} is told of."} | changes
    )


TEMPLATES = [template("small_1"), template("medium", rank="lost"), template("large", rank="undecided")]
RUNS = compared(SLOWER, EQUAL, OPEN)
GUARDED = guarded(RUNS, TEMPLATES)


def test_the_page_has_the_answer_first_and_fits_80_columns() -> None:
    screen = Console(file=io.StringIO(), width=80, highlight=False)
    screen.print(render_guard(GUARDED, RUNS, TEMPLATES, baseline="before-upgrade"))
    assert isinstance(screen.file, io.StringIO)
    lines = screen.file.getvalue().splitlines()
    assert lines[0] == "Guard against baseline before-upgrade: worse"
    assert lines[1].startswith("Slower: two-bookings-t2. Open whether more was lost than the margin of")
    assert max(map(len, lines)) <= 80
    text = "\n".join(lines)
    assert text.index("Run 2026") < text.index("Templates (margin")


def test_programs_get_the_answer_with_all_that_it_rests_on() -> None:
    found = json.loads(to_json(guard_json(GUARDED, RUNS, TEMPLATES, baseline="before-upgrade", status=1)))
    assert (found["schema_version"], found["outcome"], found["exit_status"]) == (1, "worse", 1)
    assert (found["slower"], found["templates_broken"]) == (["two-bookings-t2"], ["medium-bookings-t1"])
    assert len(found["comparison"]["changes"]) == 3
    assert [each["rank"] for each in found["templates"]] == [None, "lost", "undecided"]


def test_markdown_escapes_what_names_may_hold() -> None:
    page = guard_markdown(GUARDED, RUNS, TEMPLATES, baseline="before_upgrade_2")
    assert page.startswith("## Guard against baseline before\\_upgrade\\_2: worse\n\nSlower: ")
    assert "- Template small\\_1 is told of." in page
    assert page.index("**Templates**") < page.index("\n### Run ")


def test_a_template_is_a_case_of_the_report_beside_the_cells() -> None:
    root = Xml.fromstring(guard_junit(RUNS, TEMPLATES, baseline="before-upgrade"))
    cells, templates = root
    assert templates.get("name") == "templates"
    assert [[inner.tag for inner in case][:1] for case in templates] == [["system-out"], ["failure"], ["skipped"]]
    totals = [int(suite.get("failures", "")) for suite in (cells, templates)]
    assert (totals, root.get("failures")) == ([1, 1], "2")
    assert root.get("tests") == str(len(root.findall(".//testcase")))


def test_the_report_fits_the_schema_that_ci_servers_check_with() -> None:
    """By xmlschema (extra ``reference``) and the schema in tests/data/junit."""
    xmlschema = pytest.importorskip("xmlschema", reason="extra 'reference' is not installed")
    for templates in (TEMPLATES, []):
        report = guard_junit(RUNS, templates, baseline="before-upgrade")
        xmlschema.XMLSchema(str(SCHEMA)).validate(io.BytesIO(report))
