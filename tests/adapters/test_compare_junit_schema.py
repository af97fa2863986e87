"""JUnit reports against the schema that CI servers check with (tests/data/junit), by xmlschema (``reference``)."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from comparison_values import EQUAL, FASTER, OPEN, SINGLE, SLOWER, change, compared

from orchestrator.adapters.report.compare_junit import junit_xml
from orchestrator.core.verdict.between_runs.results import RunsCompared

xmlschema = pytest.importorskip("xmlschema", reason="extra 'reference' is not installed")

SCHEMA = Path(__file__).parent.parent / "data" / "junit" / "junit-10.xsd"
EMPTY = compared().model_copy(update={"changes": (), "unmatched": (), "overall": None})


@pytest.mark.parametrize(
    "found",
    [
        [compared(SLOWER, EQUAL, OPEN, FASTER, SINGLE)],
        [compared(), compared(EQUAL, new="20261204-again")],
        [compared(change(cell="\x00<&>", remarks=("\x1b[2J",)))],
        [EMPTY],
        [],
    ],
)
def test_every_report_is_valid(found: list[RunsCompared]) -> None:
    xmlschema.XMLSchema(str(SCHEMA)).validate(io.BytesIO(junit_xml(found, name="against before-upgrade")))


def test_the_schema_refuses_what_is_no_report() -> None:
    wrong = junit_xml([compared()], name="a").replace(b"<testcase ", b"<trial ").replace(b"</testcase>", b"</trial>")
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        xmlschema.XMLSchema(str(SCHEMA)).validate(io.BytesIO(wrong))
