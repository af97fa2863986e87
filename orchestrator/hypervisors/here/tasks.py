"""What the kernel tells about tasks: who descends from whom, whether a thread is runnable, and its schedstat.

Field meanings: Linux kernel documentation, ``scheduler/sched-stats.rst`` (``/proc/PID/schedstat``: ns on a CPU, ns
runnable but waiting for one, timeslices) and ``filesystems/proc.rst`` (``/proc/PID/stat``).
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from orchestrator.units import NANOSECONDS_PER_SECOND

#: Large enough for any /proc/PID/stat: 52 numbers of at most 20 digits and a name of 64 bytes.
_STAT_SIZE = 1200
_LIST_SIZE = 1 << 16

#: What the kernel counts user and system time in (USER_HZ).
TICK_NS = NANOSECONDS_PER_SECOND // os.sysconf("SC_CLK_TCK")
#: States that the kernel shows for a thread that is running or waiting for a CPU, and for one that is no more.
RUNNABLE = "R"
ENDED = "ZX"


@dataclass(frozen=True)
class Counters:
    """A thread's cumulative times in ns; ``wait_ns`` is ``None`` on a kernel that does not count run delay."""

    run_ns: int
    wait_ns: int | None


@dataclass(frozen=True)
class Stat:
    """Of ``/proc/PID/stat``: state (field 3), parent (4), session (6), last CPU (39).

    ``ticks`` is user and system time (14 + 15), ``family_ticks`` the same with that of children waited for (14 to 17).
    """

    state: str
    parent: int
    session: int
    ticks: int
    family_ticks: int
    cpu: int


def parse_stat(content: bytes) -> Stat:
    """Read one line of a stat file; the name in field 2 may itself hold blanks and parentheses.

    Raises:
        ValueError: when the line is cut short.
    """
    fields = content[content.rindex(b")") + 2 :].split()
    if len(fields) < 37:
        raise ValueError("stat line is cut short")
    times = [int(field) for field in fields[11:15]]
    return Stat(fields[0].decode(), int(fields[1]), int(fields[3]), sum(times[:2]), sum(times), int(fields[36]))


class ThreadFiles:
    """Open files of one thread. They stay bound to it: a later one with the same id is never read by mistake."""

    def __init__(self, folder: Path, *, schedstat: bool) -> None:
        """Open the files of the thread whose ``/proc`` folder is given. Raises OSError when it is gone."""
        self._stat = os.open(folder / "stat", os.O_RDONLY | os.O_CLOEXEC)
        try:
            self._schedstat = os.open(folder / "schedstat", os.O_RDONLY | os.O_CLOEXEC) if schedstat else None
        except OSError:
            os.close(self._stat)
            raise
        self._last = b""

    def counters(self) -> Counters | None:
        """Cumulative times now, or ``None`` when they are as at the last call. Raises OSError when the thread is gone.

        The kernel brings them up to date when the thread leaves its CPU, and at its timer tick while it runs; those of
        a thread that waits for a CPU do not move until it gets one. Unchanged means: neither ran nor changed its state.
        """
        content = os.pread(self._stat if self._schedstat is None else self._schedstat, _STAT_SIZE, 0)
        if content == self._last:
            return None
        self._last = content
        if self._schedstat is None:
            return Counters(parse_stat(content).ticks * TICK_NS, None)
        run, wait, _ = content.split()
        return Counters(int(run), int(wait))

    def stat(self) -> Stat:
        """State and the rest. Raises OSError when the thread is gone."""
        try:
            return parse_stat(os.pread(self._stat, _STAT_SIZE, 0))
        except ValueError as error:
            raise ProcessLookupError("the thread's stat file is empty") from error

    def close(self) -> None:
        """Close the files; safe to call twice."""
        for name in ("_stat", "_schedstat"):
            descriptor = getattr(self, name)
            if descriptor is not None and descriptor >= 0:
                os.close(descriptor)
                setattr(self, name, -1)


class Proc:
    """A mounted proc file system."""

    def __init__(self, root: Path = Path("/proc")) -> None:
        self.root = root
        self.has_schedstat = self._counts_run_delay()
        self._lists_children = (root / "self/task" / str(os.getpid()) / "children").exists()

    def _counts_run_delay(self) -> bool:
        """Whether schedstat exists and counts: switched off, it prints three zeros for a process that has run."""
        try:
            return (self.root / "self/schedstat").read_bytes().split() != [b"0", b"0", b"0"]
        except OSError:
            return False

    def last_pid(self) -> bytes:
        """The id given out last in this pid namespace (``/proc/loadavg``): while it stays, no task was born."""
        descriptor = os.open(f"{self.root}/loadavg", os.O_RDONLY | os.O_CLOEXEC)
        try:
            return os.read(descriptor, 128).rpartition(b" ")[2]
        finally:
            os.close(descriptor)

    def open(self, pid: int, tid: int) -> ThreadFiles:
        """Open a thread's files. Raises OSError when it is gone."""
        return ThreadFiles(self.root / str(pid) / "task" / str(tid), schedstat=self.has_schedstat)

    def stat(self, pid: int) -> Stat | None:
        """A process's stat; ``None`` when it is gone."""
        try:
            return parse_stat((self.root / str(pid) / "stat").read_bytes())
        except (OSError, ValueError):
            return None

    def threads(self, pid: int) -> list[int]:
        """A process's threads, oldest first; empty when it is gone."""
        try:
            return sorted(int(name) for name in os.listdir(self.root / str(pid) / "task"))  # noqa: PTH208 - a third of the cost
        except OSError:
            return []

    def descendants(self, roots: Iterable[int]) -> list[int]:
        """The processes given that are alive and all that descend from them, parents before children."""
        if not self._lists_children:
            return list(self._descendants_by_parent(roots))
        found: dict[int, None] = {}
        ahead = [pid for pid in roots if (self.root / str(pid)).exists()]
        while ahead:
            pid = ahead.pop()
            if pid not in found:
                found[pid] = None
                ahead.extend(self.children(pid))
        return list(found)

    def children(self, pid: int) -> list[int]:
        """Children of all threads of a process."""
        born: list[int] = []
        for tid in self.threads(pid):
            try:
                descriptor = os.open(f"{self.root}/{pid}/task/{tid}/children", os.O_RDONLY | os.O_CLOEXEC)
            except OSError:
                continue
            try:
                born.extend(int(child) for child in os.read(descriptor, _LIST_SIZE).split())
            except OSError:
                continue
            finally:
                os.close(descriptor)
        return born

    def _everybody(self) -> Iterator[tuple[int, Stat]]:
        for name in os.listdir(self.root):  # noqa: PTH208 - a third of the cost
            if name.isdigit() and (stat := self.stat(int(name))) is not None:
                yield int(name), stat

    def _descendants_by_parent(self, roots: Iterable[int]) -> Iterator[int]:
        """The same from every process's parent field, for kernels built without lists of children."""
        children: dict[int, list[int]] = {}
        alive: set[int] = set()
        for pid, stat in self._everybody():
            alive.add(pid)
            children.setdefault(stat.parent, []).append(pid)
        ahead, seen = [pid for pid in roots if pid in alive], set[int]()
        while ahead:
            pid = ahead.pop()
            if pid not in seen:
                seen.add(pid)
                yield pid
                ahead.extend(children.get(pid, ()))
