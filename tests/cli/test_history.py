"""A cell through many runs of a store, as a person and a program see it."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from library_of_runs import CELL, keep_run
from stored_runs import PLAN

from orchestrator.cli import invoke

#: Means of whole runs, in per mille of the level: what changes from run to run.
NOISE = [3, -2, 5, -6, 1, 0, -4, 6, 2, -3, 4, -5]
UPGRADED = {"kernel": "6.1.0-32", "cpu_microcode": "0x2b000603"}


def keep(root: Path, day: int, level: float = 2400.0, **changes: Any) -> str:
    """A run of three blocks about a level, with the noise of its day."""
    mean = level * (1 + NOISE[day % len(NOISE)] / 1000)
    return keep_run(root, day, [mean * 0.997, mean * 1.001, mean * 1.002], **changes)


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve nightly runs; from the eighth on the host has another kernel and microcode, and the cell is 6 % slower."""
    root = tmp_path_factory.mktemp("nights")
    for day in range(12):
        after = day >= 7
        host = UPGRADED if after else {"kernel": "6.1.0-31", "cpu_microcode": "0x2b0005c0"}
        keep(root, day, 2400 * (0.94 if after else 1), host=host)
    return root


@pytest.fixture
def upgraded(nights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of them."""
    monkeypatch.setenv("COLUMNS", "80")
    copy = shutil.copytree(nights, tmp_path / "results")
    monkeypatch.setenv("TRIALBED_STORE", str(copy))
    return copy


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What the command prints, on one line a sentence."""
    capsys.readouterr()
    assert invoke(["history", *words]) == 0
    return capsys.readouterr().out


def found(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, Any]]:
    cells: list[dict[str, Any]] = json.loads(told(capsys, *words, "--json"))["cells"]
    return cells


def test_a_step_is_told_with_its_size_its_place_and_what_was_upgraded_there(
    upgraded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = told(capsys, "two-bookings-*")
    words = " ".join(page.split())
    assert "A step: 5.9 % less" in words
    assert "from the run of 2026-08-08 22:00 UTC on" in words
    upgraded = "the host's CPU microcode 0x2b0005c0 -> 0x2b000603; the host's kernel 6.1.0-31 -> 6.1.0-32."
    assert f"Changed there: {upgraded}" in words
    lines = page.splitlines()
    (mark,) = [at for at, line in enumerate(lines) if line.strip().startswith("+ host: kernel")]
    assert lines[mark + 1].strip().startswith("20260808T220000Z  2026-08-08 22:00")
    assert sum("2026-08-" in line and "|" in line for line in lines) == 12
    assert max(map(len, lines)) <= 80


def test_programs_get_places_intervals_and_upgrades(upgraded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (cell,) = found(capsys, CELL)
    (step,) = cell["steps"]
    runs = [point["run"] for point in cell["points"]]
    assert cell["kind"] == "steps"
    assert step["run"] == runs[7]
    assert step["low"] < 0.94 < step["high"] < 0.97
    assert step["matters"] is True
    assert {upgrade["fact"] for upgrade in step["beside"]} == {"kernel", "cpu_microcode"}
    assert all(not point["changed"] for point in cell["points"] if point["run"] != runs[7]), "load is no upgrade"
    rows = list(csv.DictReader(io.StringIO(told(capsys, CELL, "--csv"))))
    assert [row["run"] for row in rows] == runs
    assert [row["step"] for row in rows].index("True") == 7
    assert float(rows[0]["low_per_s"]) < float(rows[0]["per_s"]) < float(rows[0]["high_per_s"])


def test_a_level_cell_a_drifting_one_and_too_few_runs_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TRIALBED_STORE", str(tmp_path))
    for day in range(8):
        keep(tmp_path, day, guest="bookings-1")
        keep(tmp_path, day, 2400 * (1 - 0.012 * day), guest="bookings-2")
    keep(tmp_path, 0, guest="bookings-3")
    level, drifting, few = found(capsys, CELL)
    assert (level["guest"], level["kind"]) == ("bookings-1", "level")
    assert (drifting["guest"], drifting["kind"]) == ("bookings-2", "drift")
    assert drifting["drift"]["low"] < 1 - 0.012 * 7 < drifting["drift"]["high"]
    assert (few["guest"], few["kind"]) == ("bookings-3", "too few")
    page = " ".join(told(capsys, CELL, "--per", "minute").split())
    assert "Level: neither a step nor a drift shows in eight runs; 14" in page
    assert "A slow drift" in page
    assert "One run: six are needed" in page
    assert "Each cell is judged by itself" in page


def test_a_change_that_may_be_either_is_told_as_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TRIALBED_STORE", str(tmp_path))
    for day, level in enumerate((2411, 2411, 2421, 2406, 2326, 2322, 2353, 2274)):
        keep_run(tmp_path, day, [float(level)])
    words = " ".join(told(capsys, CELL).split())
    assert "the runs do not tell yet whether in steps or slowly" in words
    assert "- A step: 3.9 % less" in words
    assert "- Or a slow drift: a little with each run" in words
    assert "no interval" in words


def test_runs_belong_together_by_what_was_measured_and_not_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TRIALBED_STORE", str(tmp_path))
    one, two = PLAN["shapes"]
    keep(tmp_path, 0)
    larger = PLAN | {"shapes": [one, two | {"memory": 2**31}]}
    keep(tmp_path, 1, plan=larger)
    keep(tmp_path, 2, inputs_sha256={"bookings/bookings.py": "0" * 64})
    keep(tmp_path, 3)
    series = found(capsys, CELL)
    assert sorted(len(cell["points"]) for cell in series) == [1, 1, 2]


def test_how_far_runs_scatter_is_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRIALBED_STORE", str(tmp_path))
    levels = (2300.0, 2500.0, 2350.0, 2450.0, 2300.0, 2500.0)
    for day, level in enumerate(levels):
        keep(tmp_path, day, level)
    page = " ".join(told(capsys, "two-bookings-*").split())
    assert page.count("whole runs scatter by") == 1
    assert "A step of the margin, 3 %, needs several runs on either side before it shows." in page


def test_old_notes_that_were_imported_join_the_cell_of_their_names(
    upgraded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken_by_hand = {"origin": "imported", "hypervisor": "none", "guest_kind": "readings taken by hand"}
    shapes = [{"name": "two", "vcpus": 2}]
    keep(upgraded, -30, plan=PLAN | {"shapes": shapes, "workloads": [{"name": "bookings"}]}, **taken_by_hand)
    (cell,) = found(capsys, CELL)
    assert len(cell["points"]) == 13
    assert cell["guest_kind"] == "process guest, not a VM"
    keep(upgraded, -31, plan=PLAN | {"shapes": [{"name": "two", "vcpus": 4}]}, **taken_by_hand)
    assert sorted(len(cell["points"]) for cell in found(capsys, CELL)) == [1, 13]


def test_twins_of_one_run_are_followed_apart_by_their_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TRIALBED_STORE", str(tmp_path / "results"))
    rows = [f"{shape},2,1,{block},{100 + block}" for shape in ("left", "right") for block in (1, 2)]
    (tmp_path / "notes.csv").write_text("\n".join(["shape,vcpus,threads,block,throughput", *rows]))
    for day in ("2026-03-01", "2026-03-02", "2026-03-03"):
        invoke(["import", str(tmp_path / "notes.csv"), "--when", day])
    series = {cell["cell"]: [point["cell"] for point in cell["points"]] for cell in found(capsys, "*")}
    assert series == {cell: [cell] * 3 for cell in ("left-load-t1", "right-load-t1")}


def test_a_run_that_is_not_finished_counts_with_the_trials_that_there_are(
    upgraded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keep_run(upgraded, 12, [2260.0], ended=False)
    (cell,) = found(capsys, CELL)
    assert cell["points"][-1]["trials"] == 1
    assert "One run is not finished, and counted by the trials that there are." in cell["remarks"]


@pytest.mark.parametrize("words", [["two-boking-t2"], ["one-*"], ["["], [""]])
def test_a_cell_that_is_not_there_is_answered_with_those_that_are(
    words: list[str], upgraded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["history", *words]) == 2
    error = capsys.readouterr().err
    assert f"fits {words[0]!r}; there is {CELL}" in error
    assert len(error.splitlines()) == 1


def test_an_empty_store_and_one_with_a_damaged_run_are_told(upgraded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (upgraded / "broken").mkdir()
    (upgraded / "broken" / "run.json").write_text("{")
    assert invoke(["history", CELL]) == 0
    assert "damaged or cut short" in capsys.readouterr().err
    assert invoke(["history", CELL, "--store", str(upgraded / "nowhere")]) == 2
    assert "no run in" in capsys.readouterr().err
    assert invoke(["history", CELL, "--json", "--csv"]) == 2


def test_what_a_machine_calls_itself_cannot_steer_the_terminal(
    upgraded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keep(upgraded, 12, host={"kernel": "\x1b[31m6.1\n", "cpu_microcode": "[bold]x"})
    page = told(capsys, CELL)
    assert "\x1b" not in page
    assert "[bold]x" in page
