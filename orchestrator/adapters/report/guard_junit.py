"""The guard's JUnit report: that of the comparison, with a suite of the templates beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal
from xml.etree import ElementTree as Xml

from orchestrator.adapters.report.compare_junit import tree, written
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.core.verdict.templates import TemplateFinding


def guard_junit(compared: RunsCompared, templates: Sequence[TemplateFinding], *, baseline: str) -> bytes:
    """The report: a case for each cell, and one for each template, which fails where it is not as it should be."""
    root = tree([compared], name=f"guard against baseline {safe(baseline)}")
    if templates:
        suite = Xml.SubElement(root, "testsuite", name="templates")
        outcomes = [_case(suite, found) for found in templates]
        suite.set("tests", str(len(outcomes)))
        suite.set("failures", str(outcomes.count("failure")))
        suite.set("errors", "0")
        suite.set("skipped", str(outcomes.count("skipped")))
    return written(root)


def _case(suite: Xml.Element, found: TemplateFinding) -> Literal["passed", "failure", "skipped"]:
    case = Xml.SubElement(
        suite, "testcase", classname=safe(f"templates of {found.workload}"), name=safe(found.template)
    )
    told = safe(found.sentence, SENTENCE)
    if found.broken:
        Xml.SubElement(case, "failure", type="template", message=told).text = told
        return "failure"
    if found.open or found.throughput_per_s is None:
        Xml.SubElement(case, "skipped", type="undecided", message=told)
        return "skipped"
    Xml.SubElement(case, "system-out").text = told
    return "passed"
