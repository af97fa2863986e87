"""A night with an end as a person asks for it: --until, --for, --at, the plan's start, and what they come to."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import orchestrator
from orchestrator.cli import invoke

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [2]}
design: {blocks: 4, seed: 7}
measure:
  warm-up: {at-least: 5 s, at-most: 10 s}
  steady: {at-least: 10 s, at-most: 10 s}
"""
LAB = """
hosts:
  model: {hypervisor: simulated, with: {seed: 1}}
guests:
  bookings-1: {host: model, may-power-cycle: true}
"""


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with such a plan on a simulated lab, in UTC; it is also the working directory."""
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield tmp_path
    monkeypatch.undo()
    time.tzset()


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_run_out_of_time_ends_as_asked_and_another_night_goes_on(capsys: pytest.CaptureFixture[str]) -> None:
    status = invoke(["run", "plan.yaml", "--for", "4 min 10 s"])
    told = capsys.readouterr()
    assert status in {0, 1}, "it did what was asked of it: the answer counts, as in a run that is done"
    assert " UTC, in 4 min 10 s; block 1 of 4: 2 trials, 6 min 40 s at most" in told.out
    assert "out of time: the run was to end by " in told.err
    assert "2 of 4 blocks are whole, 4 trials are missing" in flat(told.err)
    assert "go on with: trialbed resume" in told.err
    assert invoke(["list"]) == 0
    assert "out of time" in flat(capsys.readouterr().out)

    assert invoke(["resume", "last", "--for", "2 min 10 s"]) == status
    assert "3 of 4 blocks are whole, 2 trials are missing" in flat(capsys.readouterr().err)
    assert invoke(["resume", "last", "--until", "2026-01-01T06:30"]) == 2
    assert "--until: '2026-01-01T06:30' (Thu 1 Jan 06:30 UTC) has passed; name a time after " in capsys.readouterr().err
    invoke(["resume", "last", "--quiet", "--json"])
    run = json.loads(capsys.readouterr().out)
    assert len(run["trials"]) == 8
    assert all(trial["seconds"] > 40 for trial in run["trials"])


def test_an_end_by_the_clock_is_named_in_local_time(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TZ", "XYZ-5")
    time.tzset()
    invoke(["run", "plan.yaml", "--until", "06:30"])
    assert " 06:30 XYZ, in " in capsys.readouterr().out


def test_check_tells_what_would_fit(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["check", "plan.yaml", "--at", "19:00", "--until", "19:20"]) == 0
    text = flat(capsys.readouterr().out)
    assert "Time - waits until " in text
    assert " 19:00 UTC - ends by " in text
    assert " 19:20 UTC, 20 min after it began - 2 to 4 of 4 blocks fit whole" in text
    assert invoke(["check", "plan.yaml", "--for", "20 min", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["time"]
    assert (told["begins_utc"], told["seconds"], told["fewest_blocks"], told["most_blocks"]) == (None, 1200, 2, 4)
    assert invoke(["check", "plan.yaml", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["time"] is None


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--until", "half past six"], "--until: 'half past six' is not a time; write a time of day such as 06:30"),
        (["--for", "9"], "--for: '9' is not a duration; write a number and a unit"),
        (["--at", "7 pm"], "--at: '7 pm' is not a time"),
        (["--for", "3 min"], "3 min is too short for a single trial: the shortest takes 17 s, and 3 min is kept"),
    ],
)
def test_times_that_cannot_be_are_refused_before_there_is_a_run(
    place: Path, capsys: pytest.CaptureFixture[str], options: list[str], says: str
) -> None:
    assert invoke(["run", "plan.yaml", *options]) == 2
    assert says in flat(capsys.readouterr().err)
    assert not (place / "results").exists()
    assert invoke(["check", "plan.yaml", *options]) == 2
    told = capsys.readouterr()
    assert says in flat(told.out + told.err)


def test_a_run_waits_for_its_beginning_and_its_length_counts_from_then(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "plan.yaml").write_text(PLAN + 'start: {at: "19:00"}\n')
    invoke(["run", "plan.yaml", "--for", "4 min 10 s"])
    told = capsys.readouterr()
    assert "waiting until " in told.err
    assert "19:00 UTC, in " in flat(told.err)
    assert " 19:04:10 UTC, in 4 min 10 s; block 1 of 4" in flat(told.out)
    run = json.loads(next(place.glob("results/*/run.json")).read_text())
    assert run["started_utc"].partition("T")[2].startswith("19:00:00")
    invoke(["run", "plan.yaml", "--for", "4 min 10 s", "--at", "now"])
    assert "waiting" not in capsys.readouterr().err


def test_what_can_be_refused_is_refused_before_the_waiting(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text(LAB.replace("may-power-cycle: true", "may-power-cycle: false"))
    assert invoke(["run", "plan.yaml", "--at", "19:00"]) == 2
    assert "waiting" not in capsys.readouterr().err


@pytest.mark.real
def test_an_interrupt_ends_the_waiting_at_once_and_nothing_was_touched(place: Path) -> None:
    (place / "lab.yaml").write_text(LAB.replace("hypervisor: simulated, with: {seed: 1}", "hypervisor: here"))
    command = [sys.executable, "-m", "orchestrator", "run", "plan.yaml", "--at", "19:00", "--until", "06:30"]
    found = os.environ | {"PYTHONPATH": str(Path(orchestrator.__file__).parents[1])}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=found) as process:
        assert process.stderr is not None
        assert "waiting until" in process.stderr.readline()
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate(timeout=20)
    assert process.returncode == 130
    assert output == ""
    assert "Traceback" not in errors
    assert "nothing was touched" in flat(errors)
    assert not (place / "results").exists()
