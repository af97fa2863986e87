"""Runs on this machine beside declared neighbours: real loops, real signals, and nobody left behind."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_here_runs import LOAD, WITHIN_S, left_over, nothing_is_left, read_until, start, wait_until

from orchestrator.cli import invoke

pytestmark = pytest.mark.real

#: Guest and loops share one CPU, so that whatever else there is to do has the others to itself.
CPU = min(os.sched_getaffinity(0))
LOOPS = 2
HOGS = f"{{name: hogs, loops: {LOOPS}, pin: [{CPU}]}}"
TIMETABLE = "{name: timetable, guest: timetable-1, loops: 1}"
PLAN = r"""
title: How fast is a fare search on a busy host?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 512 MiB, pin: [CPU]}
workloads:
  - name: fares
    threads: [1]
    command: [python3, fares.py]
    files: [fares.py]
    reader: {pattern: '(?P<value>[0-9]+) searches', figure: count}
neighbours:
NEIGHBOURS
design: {blocks: 2, seed: 7}
measure:
  every: 100 ms
  warm-up: {at-least: 200 ms, at-most: 10 s}
  steady: {at-least: 500 ms, at-most: 2 s, until-within: 50 %}
decide: {margin: 20 %}
"""
LAB = """
hosts:
  this-machine: {hypervisor: here}
guests:
  bookings-1: {host: this-machine, may-power-cycle: true}
  timetable-1: {host: this-machine, may-power-cycle: true}
"""
# Wants all that it can get, so that it waits where others run.
GREEDY_LOAD = """
import time
count, due = 0, time.monotonic()
while True:
    while time.monotonic() < due:
        count += sum(range(1000)) > 0
    print(count, "searches", flush=True)
    due += 0.05
"""


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "lab.yaml").write_text(LAB)
    (tmp_path / "fares.py").write_text(LOAD)
    (tmp_path / "tmp").mkdir()
    asked(tmp_path, HOGS)
    yield tmp_path
    for pid in left_over(tmp_path):
        os.kill(pid, signal.SIGKILL)


def asked(place: Path, *neighbours: str) -> None:
    (place / "plan.yaml").write_text(
        PLAN.replace("CPU", str(CPU)).replace("NEIGHBOURS", "\n".join(f"  - {item}" for item in neighbours))
    )


def loops(place: Path) -> list[int]:
    """The loops that run for this place, by what their shell was told to do."""
    found = []
    for pid in left_over(place):
        try:
            command = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        if command[3:4] == [b"loop"]:
            found.append(pid)
    return found


def test_the_guest_waits_for_them_and_they_are_gone_afterwards(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "fares.py").write_text(GREEDY_LOAD)
    (place / "plan.yaml").write_text(
        (place / "plan.yaml").read_text().replace("at-least: 500 ms", "at-least: 1 s").replace("100 ms", "200 ms")
    )
    process = start(place, "run", "plan.yaml")
    read_until(process, "beside declared neighbours: hogs")
    assert len(loops(place)) == LOOPS
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 0, errors + output
    nothing_is_left(place)
    store = str(place / "results")
    assert invoke(["show", "last", "--store", store, "--json"]) == 0
    trials = json.loads(capsys.readouterr().out)["trials"]
    assert [trial["outcome"] for trial in trials] == ["measured", "measured"]
    for trial in trials:
        # An equal share of its CPU would be a third of the time; a quiet host would leave no wait to speak of.
        assert trial["summary"]["vcpus"][0]["wait"] > 0.2
        (other,) = [check for check in trial["summary"]["checks"] if check["name"] == "other load"]
        assert other["state"] == "ok", other
        assert other["detail"].startswith("with the declared neighbours")
    assert invoke(["show", "last", "--store", store]) == 0
    assert "Measured beside declared neighbours" in capsys.readouterr().out


def test_another_guest_carries_loads_and_is_put_back(place: Path) -> None:
    asked(place, TIMETABLE, '{name: chatter, guest: timetable-1, command: ["yes"]}')
    process = start(place, "run", "plan.yaml")
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 0, errors + output
    nothing_is_left(place)
    (journal,) = (place / "results").glob("*/journal.jsonl")
    events = [json.loads(line) for line in journal.read_text().splitlines()]
    assert [e["detail"]["guest"] for e in events if e["event"] == "restored"] == ["timetable-1", "bookings-1"]


def test_a_load_that_ends_at_once_ends_the_run_before_its_first_trial(place: Path) -> None:
    asked(place, TIMETABLE, "{name: idle, guest: timetable-1, command: [cat]}")
    process = start(place, "run", "plan.yaml")
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 4, "cat ends for want of input"
    assert "neighbour idle ('cat' in guest timetable-1) could not be started, so no trial was run" in errors
    assert "not begun; the guest is as it was before" in output
    assert "interrupted" not in output + errors
    nothing_is_left(place)


def test_a_program_that_is_not_there_is_told_by_the_probe(place: Path) -> None:
    asked(place, HOGS, "{name: reports, command: [nonesuch]}", '{name: chatter, command: ["yes"]}')
    process = start(place, "check", "plan.yaml", "--probe", "--json")
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 4, errors
    found = {line["what"]: line for line in json.loads(output)["readiness"]}
    assert found["neighbour reports"]["state"] == "not ready"
    assert found["neighbour reports"]["detail"] == "there is no program 'nonesuch' that its login could run"
    assert found["neighbour hogs"]["state"] == found["neighbour chatter"]["state"] == "ready"
    nothing_is_left(place)


def test_two_interrupts_end_them_at_once_and_a_resumed_run_starts_them_again(place: Path) -> None:
    process = start(place, "run", "plan.yaml")
    read_until(process, "trial 2/2")
    process.send_signal(signal.SIGINT)
    read_until(process, "Ctrl-C again")
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=WITHIN_S)
    assert process.returncode == 130
    nothing_is_left(place)

    again = start(place, "resume", "last")
    read_until(again, "beside declared neighbours: hogs")
    assert len(loops(place)) == LOOPS
    output, errors = again.communicate(timeout=WITHIN_S)
    assert again.returncode == 0, errors
    assert "trial 1/2" not in output
    nothing_is_left(place)


def test_a_killed_run_leaves_no_loop_behind(place: Path) -> None:
    asked(place, HOGS, TIMETABLE)
    process = start(place, "run", "plan.yaml")
    read_until(process, "trial 1/2")
    assert len(loops(place)) == LOOPS + 1
    process.kill()
    process.communicate(timeout=WITHIN_S)
    wait_until(lambda: not loops(place), "the loops are gone")
    nothing_is_left(place)


def test_a_loop_that_was_killed_is_started_again(place: Path) -> None:
    process = start(place, "run", "plan.yaml")
    read_until(process, "beside declared neighbours: hogs")  # well before the first launch, which looks at them
    os.kill(loops(place)[0], signal.SIGKILL)
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 0, errors + output
    assert f"no longer ran (running {LOOPS - 1} of {LOOPS} loops); it is started again" in output
    nothing_is_left(place)
