"""Holders of leases for tests: in this process and in processes of their own, on real shells."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.leases import Board, HostLeases, Place, Wanted
from orchestrator.adapters.leases.taking import Timing
from orchestrator.adapters.local_shell import LocalProcess, LocalShell
from orchestrator.engine.ports import Lease, Shell

CLOCK = SystemClock()
GUEST = "guest-here-bookings-1"
#: A program that takes leases, says so, and goes on until its input ends.
HOLDER = """
import sys
from lease_places import holder
folder, run, guest, beat_s = sys.argv[1:]
leases = holder(folder, guest, beat_s=float(beat_s))
leases.take(run, "held by a process", share_host=False)
print("taken", flush=True)
sys.stdin.read()
print(leases.release(), flush=True)
"""


def local() -> Shell:
    return LocalShell(CLOCK, Path("/"))


def place(folder: Path | str, log_in: Callable[[], Shell] = local) -> Place:
    return Place("bench-1", str(folder), log_in)


def holder(
    folder: Path | str,
    *guests: str,
    log_in: Callable[[], Shell] = local,
    beat_s: float = 10.0,
    stale_s: float = 60.0,
) -> HostLeases:
    return HostLeases(
        place(folder, log_in), Wanted("bookings-1", guests or (GUEST,)), CLOCK, Timing(beat_s, stale_s, 0.02)
    )


def standing(folder: Path | str) -> dict[str, Lease]:
    use = Board(place(folder), CLOCK).use()
    assert use.trouble is None
    return {lease.name: lease for lease in use.leases}


def until(what: Callable[[], object], within_s: float = 10.0) -> None:
    """Look again and again, briefly; fails where it never comes true."""
    end_s = CLOCK.monotonic() + within_s
    while not what():
        assert CLOCK.monotonic() < end_s, "it did not come true in time"
        CLOCK.sleep(0.02)


@contextmanager
def process(
    folder: Path, run: str = "run-1", guest: str = GUEST, beat_s: float = 10.0
) -> Iterator[subprocess.Popen[str]]:
    """A process that holds leases, as one that measures would."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder), run, guest, str(beat_s)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])},
    ) as child:
        assert child.stdout is not None
        try:
            assert child.stdout.readline() == "taken\n"
            yield child
        finally:
            child.kill()


class OtherShell(LocalShell):
    """This machine, whose ``/bin/sh`` is another shell."""

    def __init__(self, shell: Sequence[str]) -> None:
        super().__init__(CLOCK, Path("/"))
        self._shell = shell

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> LocalProcess:
        assert argv[0] == "/bin/sh"
        return super().start([*self._shell, *argv[1:]], folder=folder, end_with_input=end_with_input)


class KeptLogin:
    """A login that several holders use one after the other: closing it ends nothing."""

    def __init__(self, shell: Shell) -> None:
        self._shell = shell
        self.run, self.start, self.put = shell.run, shell.start, shell.put

    def close(self) -> None:
        """Stay."""
