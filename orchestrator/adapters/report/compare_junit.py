"""Runs set against each other as a JUnit report (XML), for whatever shows the results of tests.

A cell is a test case. It fails where the new run is slower, passes where a loss of more than the margin is ruled out,
and is skipped where neither is shown: CI systems show the message of a skipped case and count it apart, while an error
would call it broken. Cells that only one side has are skipped cases as well, so that none vanishes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal
from xml.etree import ElementTree as Xml

from orchestrator.adapters.report import compare_words as words
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared, Unmatched
from orchestrator.units import format_percent

Outcome = Literal["passed", "failure", "skipped"]


def junit_xml(found: Sequence[RunsCompared], *, name: str) -> bytes:
    """The report: a suite for each new run, a case for each cell.

    Args:
        found: any number of comparisons.
        name: of the whole, such as the baseline's.
    """
    return written(tree(found, name=name))


def tree(found: Sequence[RunsCompared], *, name: str) -> Xml.Element:
    """The same as a tree, to which further suites may be added."""
    root = Xml.Element("testsuites", name=_safe(name))
    for one in found:
        _suite(root, one, several=len(found) > 1)
    return root


def written(root: Xml.Element) -> bytes:
    """A tree as a file, the whole with the totals of its suites."""
    for total in ("tests", "failures", "errors"):
        root.set(total, str(sum(int(suite.get(total, "0")) for suite in root)))
    Xml.indent(root)
    return bytes(Xml.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def outcome(cell: Change) -> Outcome:
    """What becomes of a cell: not worse by more than the margin, slower, or neither shown."""
    return "passed" if cell.not_worse else "failure" if cell.verdict == "slower" else "skipped"


def _suite(root: Xml.Element, found: RunsCompared, *, several: bool) -> None:
    suite = Xml.SubElement(root, "testsuite", name=_safe(" ".join(words.title(found))))
    properties = Xml.SubElement(suite, "properties")
    facts = {
        "base": " ".join(found.base),
        "new": found.new,
        "margin": format_percent(found.margin),
        "confidence": format_percent(found.confidence),
    }
    for key, value in facts.items():
        Xml.SubElement(properties, "property", name=key, value=_safe(value))
    outcomes = [_case(suite, cell, found, several=several) for cell in words.ordered(found.changes)]
    outcomes += [_left_alone(suite, alone, found, several=several) for alone in found.unmatched]
    suite.set("tests", str(len(outcomes)))
    suite.set("failures", str(outcomes.count("failure")))
    suite.set("errors", "0")
    suite.set("skipped", str(outcomes.count("skipped")))
    stated = [] if found.repetition is None else [found.repetition.sentence]
    Xml.SubElement(suite, "system-out").text = _lines([found.answer, *stated, *_beside(found), *words.remarks(found)])


def _case(suite: Xml.Element, cell: Change, found: RunsCompared, *, several: bool) -> Outcome:
    case = _named(suite, cell.workload, cell.cell, found, several=several)
    told, came = words.sentence(cell, found.per), outcome(cell)
    if cell.verdict == "undecided":
        told = "; ".join([told, *words.not_worse(cell, found.margin), words.more(cell)])
    if came == "passed":
        Xml.SubElement(case, "system-out").text = _lines([told, *words.cell_remarks(cell)])
        return came
    body = Xml.SubElement(case, came, type=cell.verdict, message=_safe(told))
    body.text = _lines([told, *words.cell_remarks(cell), *(_beside(found) if came == "failure" else [])])
    return came


def _left_alone(suite: Xml.Element, alone: Unmatched, found: RunsCompared, *, several: bool) -> Outcome:
    where = "base" if alone.side == "base" else "new run"
    case = _named(suite, "not compared", f"{alone.cell} of the {where}", found, several=several)
    Xml.SubElement(case, "skipped", type="not compared", message=_safe(alone.why))
    return "skipped"


def _named(suite: Xml.Element, of: str, cell: str, found: RunsCompared, *, several: bool) -> Xml.Element:
    """A case; of several runs the run is part of its name, since CI systems take what is called the same for one."""
    classname = f"{of} ({found.new})" if several else of
    return Xml.SubElement(suite, "testcase", classname=_safe(classname), name=_safe(cell))


def _beside(found: RunsCompared) -> list[str]:
    """What else is not the same, with its weight."""
    return [f"{weight}: {sentence}" for weight, told in words.surroundings(found) for sentence in told]


def _lines(sentences: Iterable[str]) -> str:
    return "\n".join(_safe(sentence) for sentence in sentences)


def _safe(text: str) -> str:
    """Printable text, which is always allowed in XML 1.0."""
    return safe(text, SENTENCE)
