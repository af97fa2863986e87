"""Baselines as a person uses them: set, listed, shown, removed, and what is said where one is not what it was."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from stored_runs import whole_run

from orchestrator.cli import invoke


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The id of the only run in ``results`` of the working directory."""
    monkeypatch.chdir(tmp_path)
    return whole_run(tmp_path / "results")[1].id


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_run_gets_a_name_that_is_listed_shown_and_removed(run: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["baseline", "list"]) == 0
    assert "set one with: trialbed baseline set NAME RUN" in capsys.readouterr().out
    assert invoke(["baseline", "set", "before-upgrade", "last", "--note", "hosts of July"]) == 0
    told = flat(capsys.readouterr().out)
    assert told.startswith("Baseline before-upgrade set 2")
    assert f"hosts of July Run {run} How many vCPUs does the bookings database need? (bookings-1, process guest" in told
    assert "two cells: one-bookings-t1, two-bookings-t2 - no steady trial, so never compared: two-bookings-t2" in told
    assert invoke(["baseline", "list"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("before-upgrade  set 2")
    assert run in told
    assert invoke(["baseline", "remove", "before-upgrade"]) == 0
    assert capsys.readouterr().out == f"baseline before-upgrade is forgotten; its runs stay: {run}\n"
    assert invoke(["show", run, "--json"]) == 0
    assert invoke(["baseline", "remove", "before-upgrade"]) == 2


def test_programs_are_told_the_same(run: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["baseline", "set", "spring", run[:12], "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["schema_version"], found["name"], found["note"], found["changes"]) == (1, "spring", "", [])
    assert [cell["shape"] for cell in found["cells"][run]] == ["one", "two"]
    assert found["not_measured"] == {run: ["two-bookings-t2"]}
    assert invoke(["baseline", "show", "spring", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == found
    assert invoke(["baseline", "list", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert listed["baselines"] == [{key: found[key] for key in ("name", "runs", "set_utc", "note", "changes")}]


def test_a_baseline_whose_run_is_gone_says_so_everywhere(
    run: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    invoke(["baseline", "set", "spring", "last"])
    shutil.move(tmp_path / "results" / run, tmp_path / run)
    capsys.readouterr()
    gone = f"run {run} is not in results any more; bring it back"
    assert invoke(["baseline", "list"]) == 0
    assert gone in flat(capsys.readouterr().out)
    assert invoke(["baseline", "show", "spring"]) == 1
    assert f"Not as it was - {gone}" in flat(capsys.readouterr().out)
    assert invoke(["guard", "--run", str(tmp_path / run), "--against", "spring"]) == 2
    assert f"baseline spring is not what it was: {gone}; or set it anew" in flat(capsys.readouterr().err)
    assert invoke(["compare", "spring", str(tmp_path / run)]) == 2
    assert gone in flat(capsys.readouterr().err)
    shutil.move(tmp_path / run, tmp_path / "results" / run)
    assert invoke(["baseline", "show", "spring"]) == 0


def test_a_store_above_the_working_directory_is_one_like_any_other(
    run: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "below").mkdir()
    monkeypatch.chdir(tmp_path / "below")
    invoke(["baseline", "set", "spring", "last", "--store", "../results"])
    assert invoke(["baseline", "show", "spring", "--store", "../results"]) == 0
    assert f"Run {run}" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["set", "spring"], "Missing argument 'RUN...'"),
        (["set", "spring", "1999"], "no run in results begins with '1999'"),
        (["set", "spring", "last", "last"], "is named twice; name each run once"),
        (["set", "2026", "last"], "'2026' cannot name a baseline"),
        (["set", "spring", "last", "--note", "two\nlines"], "--note is one line of printable text"),
        (["show", "spring"], "set one with: trialbed baseline set spring last"),
        (["remove", "a b"], "set one with: trialbed baseline set before-upgrade last"),
    ],
)
def test_what_cannot_be_a_baseline_is_one_clear_message(
    run: str, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    assert invoke(["baseline", *arguments]) == 2
    told = capsys.readouterr()
    assert says in flat(told.err)
    assert told.out == ""
    assert not (Path("results") / "baselines").exists(), run


def test_a_damaged_baseline_hides_no_other(run: str, capsys: pytest.CaptureFixture[str]) -> None:
    invoke(["baseline", "set", "spring", run])
    invoke(["baseline", "set", "summer", run])
    Path("results/baselines/spring.json").write_text("{")
    capsys.readouterr()
    assert invoke(["baseline", "list"]) == 0
    told = capsys.readouterr()
    assert told.out.startswith("summer  set 2")
    assert "spring.json: damaged or cut short" in told.err
