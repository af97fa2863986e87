"""Which processes belong to a session, and their end.

A session's processes are those of the kernel session that its command leads, and those that carry the session's mark in
their environment: a program can leave its kernel session (setsid) but keeps the environment it was started with. Who
leaves both has to be caught by the guest itself, to which orphans are handed.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

MARK = "TRIALBED_SESSION"
# Longer than the second after which a command's supervisor (adapters/ssh) goes from TERM to KILL by itself.
GRACE_S = 2.0
LOOK_S = 0.05
# A process has no environment to be seen for a moment while it exchanges its program: one look can miss it.
LOOKS = 2
_GONE = b"ZX"


def end(belongs: Callable[[int], bool]) -> None:
    """End every process that belongs: TERM and, after a grace period, KILL, until none is left.

    CONT goes with both: the guest's vCPUs may hold tasks stopped, and those handle TERM only once they run.
    """
    empty = 0
    for number in (signal.SIGTERM, signal.SIGKILL):
        for _ in range(round(GRACE_S / LOOK_S)):
            found = list(filter(belongs, _running()))
            empty = 0 if found else empty + 1
            if empty == LOOKS:
                return
            for pid in found:
                with suppress(ProcessLookupError, PermissionError):
                    os.kill(pid, number)
                    os.kill(pid, signal.SIGCONT)
            threading.Event().wait(LOOK_S)


def of_session(leader: int, mark: str) -> Callable[[int], bool]:
    """Whether a process belongs to one session."""
    return lambda pid: _session(pid) == leader or _marked(pid, mark, whole=True)


def of_any_session(prefix: str) -> Callable[[int], bool]:
    """Whether a process belongs to any session whose mark begins so."""
    return lambda pid: _marked(pid, prefix, whole=False)


def _running() -> Iterator[int]:
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal() and int(entry.name) != os.getpid():
            yield int(entry.name)


def _session(pid: int) -> int | None:
    """Session of a process (field 6 of /proc/PID/stat, proc(5)), ``None`` when it has ended."""
    stat = _read(pid, "stat").rpartition(b") ")[2].split()
    return None if not stat or stat[0] in _GONE else int(stat[3])


def _marked(pid: int, mark: str, *, whole: bool) -> bool:
    environment = b"\0" + _read(pid, "environ")  # empty for one that has ended
    return f"\0{MARK}={mark}{chr(0) if whole else ''}".encode() in environment


def _read(pid: int, name: str) -> bytes:
    try:
        return Path(f"/proc/{pid}/{name}").read_bytes()
    except OSError:
        return b""
