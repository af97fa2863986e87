"""Runs set against each other as a JUnit report: its structure here, its schema in test_compare_junit_schema.py."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from comparison_values import BASE, EQUAL, FASTER, NEW, OPEN, SINGLE, SLOWER, change, compared

from orchestrator.adapters.report.compare_file import check_report_file, write_report
from orchestrator.adapters.report.compare_junit import junit_xml
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.errors import InputError


def read(*found: RunsCompared) -> Xml.Element:
    return Xml.fromstring(junit_xml(found, name="against before-upgrade"))


def outcomes(suite: Xml.Element) -> dict[str, str]:
    """What became of each case."""
    marks = ("failure", "error", "skipped")
    return {
        str(case.get("name")): next((child.tag for child in case if child.tag in marks), "passed")
        for case in suite.iter("testcase")
    }


def test_a_cell_is_a_case_that_fails_when_slower_and_is_skipped_when_open() -> None:
    assert outcomes(read(compared(SLOWER, EQUAL, OPEN, FASTER, SINGLE))) == {
        "two-bookings-t2": "failure",
        "one-bookings-t1": "passed",
        "four-bookings-t4": "skipped",
        "four-bookings-t2": "passed",
        "two-bookings-t1": "skipped",
        "eight-bookings-t8 of the base": "skipped",
    }


def test_a_cell_passes_once_a_loss_of_more_than_the_margin_is_ruled_out_also_where_its_word_is_open_or_slower() -> None:
    open_ = change("one", 2, ratio=1.02, low=0.99, high=1.05, verdict="undecided", not_worse=True)
    barely = change("one", 4, ratio=0.985, low=0.975, high=0.995, verdict="slower", not_worse=True)
    assert set(outcomes(read(compared(open_, barely, unmatched=()))).values()) == {"passed"}


def test_the_counts_are_those_of_the_cases() -> None:
    root = read(compared(SLOWER, EQUAL, OPEN), compared(SLOWER, new="20261204-again"))
    for suite in root:
        cases = list(outcomes(suite).values())
        assert suite.get("tests") == str(len(cases))
        assert suite.get("failures") == str(cases.count("failure"))
        assert suite.get("skipped") == str(cases.count("skipped"))
        assert suite.get("errors") == "0"
    assert (root.get("tests"), root.get("failures"), root.get("errors")) == ("6", "2", "0")


def test_a_failure_says_by_how_much_and_what_else_is_not_the_same() -> None:
    failure = read(compared()).find(".//failure")
    assert failure is not None
    assert failure.get("message") == "slower, 4.7 % less (-6.1 % to -3.3 %): 774.1 a second, 812.3 in the base"
    assert "Likely to matter: host: microcode 0xb000041, 0xb000040 in the base" in (failure.text or "")
    skipped = read(compared()).find(".//skipped")
    assert skipped is not None
    assert "about four more blocks of each run or about nine" in str(skipped.get("message"))


def test_a_case_is_called_the_same_in_every_report_and_two_runs_in_one_report_are_kept_apart() -> None:
    def names(root: Xml.Element) -> set[tuple[str | None, str | None]]:
        return {(case.get("classname"), case.get("name")) for case in root.iter("testcase")}

    assert names(read(compared(SLOWER))) == names(read(compared(SLOWER, new="20261204-again")))
    assert ("bookings", "two-bookings-t2") in names(read(compared(SLOWER)))
    assert len(names(read(compared(SLOWER), compared(SLOWER, new="20261204-again")))) == 4


def test_the_runs_margin_and_confidence_are_properties() -> None:
    found = {entry.get("name"): entry.get("value") for entry in read(compared()).iter("property")}
    assert found == {"base": BASE, "new": NEW, "margin": "3 %", "confidence": "95 %"}


def test_what_xml_cannot_hold_is_written_as_its_escape() -> None:
    evil = "\x00\x1b[2J\ud800\ufffe <&>\"']]>"
    failure = read(compared(change(cell=evil, remarks=(evil,)), answer=evil)).find(".//failure")
    assert failure is not None
    assert "\\x00\\x1b[2J\\ud800\\ufffe <&>\"']]>" in (failure.text or "")


def test_the_report_is_written_whole_and_an_earlier_one_replaced(tmp_path: Path) -> None:
    file = tmp_path / "comparison.xml"
    for found in (compared(SLOWER), compared(EQUAL)):
        check_report_file(str(file))
        write_report(str(file), junit_xml([found], name="a"))
    assert "one-bookings-t1" in file.read_text()
    assert list(tmp_path.iterdir()) == [file]


def test_a_file_that_holds_something_else_or_cannot_be_written_is_refused_beforehand(tmp_path: Path) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text("title: ferry\n")
    for path, why in (
        (plan, "is there already and is no XML"),
        (tmp_path / "gone" / "report.xml", "there is no folder"),
        (plan / "report.xml", "there is no folder"),
        (tmp_path, "is no plain file"),
        (Path("/dev/null"), "is no plain file"),
    ):
        with pytest.raises(InputError, match=why):
            check_report_file(str(path))
    assert plan.read_text() == "title: ferry\n"
    with pytest.raises(InputError, match="cannot be written"):
        write_report(str(plan / "report.xml"), b"<?xml")
