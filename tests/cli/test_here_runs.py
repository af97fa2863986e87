"""Runs on this machine through the command itself: real SSH, real processes, real signals."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.real

PLAN = r"""
title: How fast is a fare search?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 512 MiB}
  - {name: two, vcpus: 2, memory: 512 MiB}
workloads:
  - name: fares
    threads: [1]
    command: [python3, fares.py]
    files: [fares.py]
    reader: {pattern: '(?P<value>[0-9]+) searches', figure: count}
design: {blocks: 2, seed: 7}
measure:
  every: 100 ms
  warm-up: {at-least: 200 ms, at-most: 10 s}
  steady: {at-least: 500 ms, at-most: 1 s, until-within: 50 %}
decide: {margin: 20 %}
"""
LAB = """
hosts:
  this-machine: {hypervisor: here}
guests:
  bookings-1: {host: this-machine, may-power-cycle: true}
"""
# As many searches in each period, however busy the machine is: a rate that scatters would be watched for longer.
LOAD = """
import time
count, due = 0, time.monotonic()
while True:
    for _ in range(50):
        count += sum(range(1000)) > 0
    print(count, "searches", flush=True)
    due += 0.05
    time.sleep(max(due - time.monotonic(), 0))
"""
WITHIN_S = 60


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    """A folder with a short plan, whose process guests put their own folders into a place of their own."""
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    (tmp_path / "fares.py").write_text(LOAD)
    (tmp_path / "tmp").mkdir()
    yield tmp_path
    for pid in left_over(tmp_path):
        os.kill(pid, signal.SIGKILL)


def start(place: Path, *arguments: str) -> subprocess.Popen[str]:
    package = Path(__file__).parents[2]
    environment = os.environ | {
        "TMPDIR": str(place / "tmp"),
        "PYTHONPATH": f"{package}:{os.environ.get('PYTHONPATH', '')}",
    }
    return subprocess.Popen(
        [sys.executable, "-m", "orchestrator", *arguments],
        cwd=place,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Wait for a fact about other processes, which nothing announces to us."""
    end = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < end, f"not within {WITHIN_S} s: {what}"
        time.sleep(0.02)


def left_over(place: Path) -> list[int]:
    """Processes that work in the folder or know of it, zombies left out."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal() and int(entry.name) != os.getpid():
            try:
                environment = (entry / "environ").read_bytes()
                state = (entry / "stat").read_text().rpartition(")")[2].split()[0]
            except OSError:
                continue
            if str(place / "tmp").encode() in environment and state != "Z":
                found.append(int(entry.name))
    return found


def nothing_is_left(place: Path) -> None:
    wait_until(lambda: not left_over(place), "all processes of the guest are gone")
    wait_until(lambda: not list((place / "tmp").iterdir()), "the guest's folder is gone")


def read_until(process: subprocess.Popen[str], part: str) -> None:
    """Read the lines of progress up to one with the text."""
    assert process.stdout is not None
    for line in process.stdout:
        if part in line:
            return
    _, errors = process.communicate()
    raise AssertionError(f"{part!r} never came; the command said: {errors}")


def test_a_command_of_the_users_is_measured_through_real_ssh_and_nothing_is_left(place: Path) -> None:
    process = start(place, "run", "plan.yaml")
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 0, errors + output
    assert "process guest, not a VM" in output
    assert "Take shape" in output
    nothing_is_left(place)


def test_one_interrupt_finishes_the_trial_and_the_run_can_be_resumed(place: Path) -> None:
    process = start(place, "run", "plan.yaml")
    read_until(process, "launch")
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 130
    assert "Ctrl-C again to stop now" in output
    assert "trialbed resume" in errors
    assert "the guest is as it was before" in output
    nothing_is_left(place)

    again = start(place, "resume", "last")
    output, errors = again.communicate(timeout=WITHIN_S)
    assert again.returncode == 0, errors
    assert "trial 1/4" not in output, "a finished trial is not run again"
    assert "trial 4/4" in output
    nothing_is_left(place)


def test_two_interrupts_stop_at_once_and_still_put_the_guest_back(place: Path) -> None:
    process = start(place, "run", "plan.yaml")
    read_until(process, "warm up")
    process.send_signal(signal.SIGINT)
    read_until(process, "Ctrl-C again")
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 130
    assert "trialbed resume" in errors
    assert "the guest is as it was before" in output
    nothing_is_left(place)


def test_a_killed_run_leaves_nothing_behind_and_can_be_resumed(place: Path) -> None:
    process = start(place, "run", "plan.yaml")
    read_until(process, "trial 2/4")
    process.kill()
    process.communicate(timeout=WITHIN_S)
    nothing_is_left(place)

    again = start(place, "resume", "last", "--json")
    output, errors = again.communicate(timeout=WITHIN_S)
    assert again.returncode == 0, errors
    trials = json.loads(output)["trials"]
    assert [trial["number"] for trial in trials] == [1, 2, 3, 4]
    nothing_is_left(place)


def test_a_workload_that_ends_at_once_fails_its_trials_and_says_what_it_said(place: Path) -> None:
    (place / "fares.py").write_text("import sys; sys.exit('no timetable for Saltmarsh')")
    process = start(place, "run", "plan.yaml", "--quiet")
    output, _ = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 3
    assert "no timetable for Saltmarsh" in " ".join(output.split())
    nothing_is_left(place)


@pytest.mark.parametrize(("number", "at"), [(signal.SIGTERM, "trial 1/4"), (signal.SIGHUP, "trial 2/4")])
def test_a_request_to_end_puts_the_guest_back_at_once(place: Path, number: int, at: str) -> None:
    """As at a shutdown of this machine, or when its terminal closes: with the first words, and between two trials."""
    process = start(place, "run", "plan.yaml")
    read_until(process, at)
    process.send_signal(number)
    output, errors = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 130, errors
    assert "the guest is as it was before" in output
    assert "Traceback" not in errors
    nothing_is_left(place)
