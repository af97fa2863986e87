"""Signals at every kind of instant: while the command only loads, at each event of a run, and while it puts back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.cli import invoke
from orchestrator.core.record.journal import Event, progress

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1]}
design: {blocks: 2}
measure:
  every: 2 s
  warm-up: {at-least: 10 s, at-most: 1 min}
  steady: {at-least: 30 s, at-most: 30 s}
"""
LAB = """
hosts:
  quay: {hypervisor: simulated}
guests:
  bookings-1: {host: quay, may-power-cycle: true}
"""
#: Runs in the interpreter before the command: the signal comes as the module named is about to be loaded.
SITE = """
import os, signal, sys
class AtImport:
    def find_spec(self, name, path=None, target=None):
        if name == os.environ["SIGNAL_AT"]:
            os.kill(os.getpid(), int(os.environ["SIGNAL_NUMBER"]))
sys.meta_path.insert(0, AtImport())
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    return tmp_path


# ------------------------------------------------------------------------------------------------------ while it loads


@pytest.mark.real
@pytest.mark.parametrize(
    ("module", "number"),
    [
        *((name, signal.SIGINT) for name in ("click", "orchestrator.cli.reading", "orchestrator.wiring", "pydantic")),
        ("yaml", signal.SIGTERM),
    ],
)
def test_an_interrupt_while_the_command_loads_ends_it_with_a_word(place: Path, module: str, number: int) -> None:
    (place / "site").mkdir()
    (place / "site/sitecustomize.py").write_text(SITE)
    path = f"{place / 'site'}:{Path(__file__).parents[2]}"
    environment = os.environ | {"PYTHONPATH": path, "SIGNAL_AT": module, "SIGNAL_NUMBER": str(int(number))}
    words = [sys.executable, "-m", "orchestrator", "run", "plan.yaml"]
    done = subprocess.run(words, cwd=place, env=environment, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "trialbed: interrupted; nothing was touched\n")
    assert not (place / "results").exists()


@pytest.mark.real
def test_an_interrupt_within_a_text_that_is_executed_has_the_same_exit_status(place: Path) -> None:
    (place / "site").mkdir()
    (place / "site/sitecustomize.py").write_text(SITE.replace("os.kill(", "exec('raise KeyboardInterrupt') or ("))
    path = f"{place / 'site'}:{Path(__file__).parents[2]}"
    environment = os.environ | {"PYTHONPATH": path, "SIGNAL_AT": "orchestrator.wiring", "SIGNAL_NUMBER": "2"}
    words = [sys.executable, "-m", "orchestrator", "run", "plan.yaml"]
    done = subprocess.run(words, cwd=place, env=environment, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr.strip()) == (130, "", "trialbed: interrupted")


@pytest.mark.real
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_an_interrupt_after_the_end_changes_nothing(place: Path, number: int) -> None:
    (place / "site").mkdir()
    late = f"import atexit, os\natexit.register(os.kill, os.getpid(), {int(number)})\n"
    (place / "site/sitecustomize.py").write_text(late)
    environment = os.environ | {"PYTHONPATH": f"{place / 'site'}:{Path(__file__).parents[2]}"}
    words = [sys.executable, "-m", "orchestrator", "check", "plan.yaml"]
    done = subprocess.run(words, cwd=place, env=environment, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "bookings-1" in done.stdout


# ----------------------------------------------------------------------------------------------- at each event of a run


class Signals:
    """Sends a signal to this process as an event is about to be noted, or just was."""

    def __init__(self, number: int, event: str, nth: int, *, before: bool) -> None:
        self._number, self._event, self._left, self._before = number, event, nth, before
        self.events: list[str] = []

    def __get__(self, writer: FolderWriter, _kind: type[FolderWriter]) -> Callable[[Event], None]:
        return lambda event: self.append(writer, event)

    def append(self, writer: FolderWriter, event: Event) -> None:
        self.events.append(event.event)
        hit = event.event == self._event
        self._left -= hit
        if hit and self._left == 0 and self._before:
            os.kill(os.getpid(), self._number)
        _append(writer, event)
        if hit and self._left == 0 and not self._before:
            os.kill(os.getpid(), self._number)


_append = FolderWriter.append


@pytest.fixture
def signals(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Signals]:
    def send(number: int, event: str, nth: int = 1, *, before: bool = True) -> Signals:
        made = Signals(number, event, nth, before=before)
        monkeypatch.setattr(FolderWriter, "append", made)
        return made

    return send


@pytest.mark.parametrize(
    ("event", "nth", "before"),
    [
        ("guest-saved", 1, True),
        ("guest-saved", 1, False),
        ("trial-started", 1, False),
        *(("stage-started", nth, False) for nth in range(1, 10)),
        ("stage-ended", 9, False),
        ("trial-ended", 1, True),
        ("trial-ended", 1, False),
        ("trial-started", 2, True),
        ("stage-started", 14, True),
    ],
)
def test_a_request_to_end_at_any_event_puts_the_guest_back(
    place: Path, signals, event: str, nth: int, before: bool
) -> None:
    signals(signal.SIGTERM, event, nth, before=before)
    assert invoke(["run", "plan.yaml", "--quiet"]) == 130
    run = FolderStore(place / "results").find("last")
    where = progress(FolderStore(place / "results").journal(run))
    assert (where.state, where.guest_is_back, where.in_hand) == ("interrupted", True, None)
    assert len(run.trials) == (1 if nth > 9 or (event, nth) in {("trial-ended", 1), ("trial-started", 2)} else 0)
    assert (Path(run.location) / "SHA256SUMS").is_file()
    signals(signal.SIGTERM, "none")
    assert invoke(["resume", "last", "--quiet"]) == 0
    assert len(FolderStore(place / "results").find("last").trials) == 2


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("event", ["restore-started", "restored", "run-ended"])
def test_while_the_guest_is_put_back_nothing_cuts_that_short(
    place: Path, signals, capsys, number: int, event: str
) -> None:
    """All trials have ended then: so the run is done, and says so."""
    signals(number, event)
    assert invoke(["run", "plan.yaml"]) == 0
    assert "still putting the guest back as it was; please wait" in capsys.readouterr().out
    run = FolderStore(place / "results").find("last")
    assert (run.state, len(run.trials)) == ("done", 2)


def test_an_interrupt_before_a_guest_is_looked_at_leaves_an_interrupted_run_that_can_be_resumed(
    place: Path, signals
) -> None:
    signals(signal.SIGTERM, "run-started")
    assert invoke(["run", "plan.yaml", "--quiet"]) == 130
    assert FolderStore(place / "results").find("last").state == "interrupted"
    signals(signal.SIGTERM, "none")
    assert invoke(["resume", "last", "--quiet"]) == 0
