"""Processes that outlive the command that started them, and are never mistaken for others."""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pydantic import BaseModel, ConfigDict

from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.accounts import Account
from orchestrator.sandbox.waiting import wait_until
from orchestrator.units import Seconds

_ENDS_WITHIN_S = 30.0
_PROC = Path("/proc")
# The background job of a shell that is not interactive leads no process group, so setsid execs in place: $! is the
# program. It is nobody's child once the shell has gone, so nobody here has to reap it.
_DETACH = 'setsid "$@" >&2 & echo $!'
_WRITE = 'umask 077 && mkdir -p "$1" && cat >"$1/$2"'


class ProcessId(BaseModel):
    """A process told from any later one with the same number: by its start, in clock ticks since this boot."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pid: int
    started: int
    boot: str


@dataclass(frozen=True)
class _Stat:
    command: str
    state: str
    parent: int
    started: int


def start_detached(argv: Sequence[str], account: Account, environment: Mapping[str, str], log: IO[bytes]) -> ProcessId:
    """Start a program in a session of its own.

    Args:
        argv: the program, by its absolute path, with its arguments.
        account: whom it runs as; another than our own takes root.
        environment: all of its environment.
        log: takes its standard output and standard error.

    Returns:
        The process, which may have ended already.

    Raises:
        SandboxError: the account cannot be changed to.
    """
    pid = int(_as(account, _DETACH, argv, b"", env=environment, stderr=log))
    stat = _stat(pid)
    return ProcessId(pid=pid, started=-1 if stat is None else stat.started, boot=_boot())


def write_as(account: Account, file: Path, text: str) -> None:
    """Write a file below a folder of somebody's as that user, for that user's eyes; folders that are missing are made.

    What the folder's owner may have put there, such as a link, leads no further than that user could go anyhow.

    Raises:
        SandboxError: it cannot be written.
    """
    _as(account, _WRITE, (str(file.parent), file.name), text.encode(), stderr=subprocess.PIPE)


def _as(account: Account, script: str, argv: Sequence[str], data: bytes, **how: Any) -> bytes:
    """Run a shell script of ours as an account; returns what it prints."""
    change: dict[str, Any] = {}
    if account.uid != os.geteuid():
        change = {"user": account.uid, "group": account.gid, "extra_groups": []}
    try:
        done: subprocess.CompletedProcess[bytes] = subprocess.run(  # noqa: S603 - programs of this package's own choice
            ["/bin/sh", "-c", script, "sh", *argv],
            input=data,
            stdout=subprocess.PIPE,
            cwd="/",
            check=True,
            timeout=_ENDS_WITHIN_S,
            **change,
            **how,
        )
    except subprocess.CalledProcessError as error:
        said = printable((error.stderr or b"").decode("utf-8", "replace").strip()) or "it said nothing"
        raise SandboxError(f"a command of the user {account.name} failed (exit {error.returncode}): {said}") from error
    except (OSError, subprocess.SubprocessError) as error:
        raise SandboxError(f"no program can be run here as the user {account.name}: {error}") from error
    return done.stdout


def alive(process: ProcessId | None) -> bool:
    """Whether exactly this process runs; one that has ended but that nobody has reaped does not."""
    if process is None or process.boot != _boot():
        return False
    stat = _stat(process.pid)
    return stat is not None and stat.started == process.started and stat.state not in "ZX"


def stop(process: ProcessId | None, clock: Clock, patience_s: Seconds = 10.0) -> bool:
    """Ask it to end, then end it; returns whether it has gone (which it had if it did not run)."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        if not _send(process, number):
            return True
        if wait_until(lambda: not alive(process), clock, patience_s):
            return True
    return False


def _send(process: ProcessId | None, number: signal.Signals) -> bool:
    """Signal it; the handle is opened before it is identified, so that the signal can reach no successor."""
    if process is None:
        return False
    try:
        handle = os.pidfd_open(process.pid)
    except OSError:
        return False
    try:
        if not alive(process):
            return False
        with suppress(ProcessLookupError):
            signal.pidfd_send_signal(handle, number)
        return True
    finally:
        os.close(handle)


def find(commands: Collection[str], marker: str, users: Collection[int]) -> list[ProcessId]:
    """Running processes of these users with such a name and an argument that begins with ``marker``.

    For what no note was kept of: an interrupt can fall between a start and its note, and a note can be lost.
    """
    found = []
    # NUL stands between arguments; a server that rewrites its own command line has blanks there instead.
    argument = re.compile(rb"(?:^|[\0 ])" + re.escape(marker.encode()))
    for pid, stat in _all():
        try:
            place = _PROC / str(pid)
            named = stat.command.startswith(tuple(commands)) and place.stat().st_uid in users
            if named and stat.state not in "ZX" and argument.search((place / "cmdline").read_bytes()):
                found.append(ProcessId(pid=pid, started=stat.started, boot=_boot()))
        except OSError:
            continue  # it has ended meanwhile
    return found


def named(command: str) -> bool:
    """Whether any process of this name runs on the machine."""
    return any(stat.command == command and stat.state not in "ZX" for _, stat in _all())


def descendants(process: ProcessId) -> list[ProcessId]:
    """The children of a process, theirs, and so on."""
    parents = {pid: stat for pid, stat in _all() if stat.state not in "ZX"}
    wanted, found = {process.pid}, []
    while more := [pid for pid, stat in parents.items() if stat.parent in wanted and pid not in wanted]:
        wanted.update(more)
        found += more
    return [ProcessId(pid=pid, started=parents[pid].started, boot=_boot()) for pid in found]


def _all() -> Iterator[tuple[int, _Stat]]:
    for place in _PROC.iterdir():
        if place.name.isdecimal() and (stat := _stat(int(place.name))) is not None:
            yield int(place.name), stat


def _stat(pid: int) -> _Stat | None:
    """From proc_pid_stat(5): the name stands in parentheses and may itself hold blanks and parentheses."""
    try:
        text = (_PROC / str(pid) / "stat").read_text("utf-8", "replace")
    except OSError:
        return None
    name, _, rest = text.partition("(")[2].rpartition(")")
    fields = rest.split()
    return _Stat(name, fields[0], int(fields[1]), int(fields[19]))


def _boot() -> str:
    return (_PROC / "sys/kernel/random/boot_id").read_text().strip()
