"""``compare`` as a person, a program or a CI job uses it, on stored runs whose truth is known."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from measured_runs import measured_run
from pytest_mock import MockerFixture

from orchestrator.adapters.store import folder
from orchestrator.cli import invoke
from orchestrator.core.record.run import Environment

RATES = {("one", 1): 120.0, ("two", 1): 118.0, ("two", 2): 210.0}
#: One cell lost a tenth, one gained a tenth, one is as it was.
CHANGED = {("one", 1): 108.0, ("two", 1): 129.8, ("two", 2): 210.0}
WORDS = {"one-bookings-t1": "slower", "two-bookings-t1": "faster", "two-bookings-t2": "equivalent"}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three runs, a day after each other: a base, one that changed, and one of which a cell was not measured."""
    root = tmp_path_factory.mktemp("place") / "results"
    measured_run(root, "2026-11-20T21:00:00.000Z", RATES, blocks=6)
    measured_run(root, "2026-11-21T21:00:00.000Z", CHANGED, blocks=6)
    measured_run(root, "2026-11-22T21:00:00.000Z", dict.fromkeys(list(RATES)[:2], 110.0), blocks=6)
    return root


@pytest.fixture(autouse=True)
def here(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(store.parent)
    monkeypatch.setenv("COLUMNS", "80")


def flat(text: str) -> str:
    return " ".join(text.split())


def test_each_cell_gets_the_word_of_what_became_of_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["compare", "20261120", "20261121", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    (found,) = value["comparisons"]
    assert {cell["cell"]: cell["verdict"] for cell in found["changes"]} == WORDS
    ratios = {cell["cell"]: cell["ratio"] for cell in found["changes"]}
    assert ratios == pytest.approx({"one-bookings-t1": 0.9, "two-bookings-t1": 1.1, "two-bookings-t2": 1.0}, rel=0.002)
    for cell in found["changes"]:
        assert cell["low"] < cell["ratio"] < cell["high"]
    assert (found["margin"], found["confidence"]) == (0.03, 0.95)  # of the base's plan


def test_a_person_reads_answer_cells_and_what_is_missing_on_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["compare", "20261120", "20261122", "--per", "minute"]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert "geometric means over trials, per minute" in flat(text)
    assert "In the base, two-bookings-t2: " in flat(text)


def test_help_has_examples_and_says_what_the_exit_status_means(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["compare", "--help"]) == 0
    text = flat(capsys.readouterr().out)
    assert "trialbed compare 20261120 last" in text
    assert "The exit status is 0 whatever the answer" in text


def test_several_new_runs_are_told_one_after_the_other_and_in_short(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["compare", "20261120", "20261121", "last"]) == 0
    text = flat(capsys.readouterr().out)
    assert text.index("Run 20261121T210000Z") < text.index("Run 20261122T210000Z") < text.index("In short")


def test_a_base_may_be_a_baseline_of_several_runs(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["baseline", "set", "before-upgrade", "20261120", "20261121"]) == 0
    capsys.readouterr()
    assert invoke(["compare", "before-upgrade", "last"]) == 0
    assert "against baseline before-upgrade: two runs, 20261120T210000Z" in flat(capsys.readouterr().out)
    assert invoke(["baseline", "remove", "before-upgrade"]) == 0


def test_markdown_csv_and_junit_tell_the_same(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    report = tmp_path / "comparison.xml"
    assert invoke(["compare", "20261120", "20261121", "--markdown", "--junit", str(report)]) == 0
    text = capsys.readouterr().out
    assert "| one-bookings-t1 | **slower** | 6 and 6 |" in text
    assert invoke(["compare", "20261120", "20261121", "--csv"]) == 0
    rows = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert {row["cell"]: row["verdict"] for row in rows} == WORDS
    root = Xml.parse(report).getroot()
    assert (root.get("tests"), root.get("failures")) == ("3", "1")
    assert [case.get("name") for case in root.iter("testcase") if case.find("failure") is not None] == [
        "one-bookings-t1"
    ]


def test_another_margin_gives_another_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["compare", "20261120", "20261121", "--margin", "25", "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["comparisons"]
    assert {cell["verdict"] for cell in found["changes"]} == {"equivalent"}
    assert found["margin"] == 0.25


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["20261120"], "Missing argument 'NEW...'"),
        (["20261120", "20261120"], "a run is compared with others"),
        (["20261120", "20261121", "20261121T"], "is named twice"),
        (["20261120", "winter"], "no run in results begins with 'winter'"),
        (["winter", "20261120"], "no run in results begins with 'winter'"),
        (["winter", "20261120"], "'trialbed list' shows all; there is no baseline either"),
        (["20261120", "last", "--json", "--csv"], "--json and --csv exclude each other"),
        (["20261120", "last", "--margin", "nan"], "'nan' is not a number"),
        (["20261120", "last", "--junit", "gone/report.xml"], "there is no folder gone; make it first"),
    ],
)
def test_wrong_input_is_one_message(arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["compare", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert told in said.err
    assert "Traceback" not in said.err


def test_what_else_is_not_the_same_is_told_beside_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    root = tmp_path / "results"
    for day, microcode in ((20, "0xb000040"), (21, "0xb000041")):
        around = Environment(host={"cpu_microcode": microcode, "kernel": "6.12"}, guest={})
        measured_run(root, f"2026-11-{day}T21:00:00.000Z", RATES, environment=around)
    assert invoke(["compare", "20261120", "20261121", "--store", str(root)]) == 0
    text = flat(capsys.readouterr().out)
    beside = text[text.index("What else is not the same") : text.index("Remarks")]
    assert "0xb000040" in beside
    assert "0xb000041" in beside
    assert "6.12" not in beside


def test_what_is_damaged_in_a_run_is_told_beside_the_comparison(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    root = tmp_path / "results"
    measured_run(root, "2026-11-20T21:00:00.000Z", RATES)
    damaged = measured_run(root, "2026-11-21T21:00:00.000Z", RATES)
    (root / damaged / "trials" / "0002-two-bookings-t1-b1" / "trial.json").write_text("{")
    (root / damaged / "environment.json").write_text("{")
    assert invoke(["compare", "20261120", "20261121", "--store", str(root)]) == 0
    said = capsys.readouterr()
    assert [line.partition("; ")[0] for line in said.err.splitlines()] == [
        f"trialbed: {damaged}: trials/0002-two-bookings-t1-b1/trial.json: damaged or cut short "
        "(1 bytes are not a JSON document)",
        f"trialbed: {damaged}: environment.json: damaged or cut short (1 bytes are not a JSON document)",
    ]
    assert "two" in said.out


def test_each_run_is_read_once_however_many_are_compared(tmp_path: Path, mocker: MockerFixture) -> None:
    root = tmp_path / "results"
    for day in (20, 21, 22):
        measured_run(root, f"2026-11-{day}T21:00:00.000Z", RATES)
    reads = mocker.spy(folder, "read_run")
    assert invoke(["compare", "20261120", "20261121", "20261122", "--store", str(root)]) == 0
    assert reads.call_count == 3
