"""How a thread that is runnable is kept from running, and let go again.

Two ways, one protocol. *Tracing* (ptrace(2): SEIZE and INTERRUPT to hold, DETACH to let go) holds single threads, is
not seen by the thread's parent, and is in force only while a thread is held: a thread that runs is not traced, so its
signals and system calls take their usual way. *Stopping* (SIGSTOP and SIGCONT) is for machines that forbid tracing
(Yama, a container's seccomp profile): it holds whole processes only, and their parents are told.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

# <linux/ptrace.h>, <linux/prctl.h>, <linux/wait.h>: part of the kernel's stable interface.
_DETACH, _SEIZE, _INTERRUPT = 17, 0x4206, 0x4207
_EXIT_KILL = 0x00100000
_STOP_EVENT = 128
_WAIT_ALL = 0x40000000
_SET_PDEATHSIG, _SET_CHILD_SUBREAPER = 1, 36

_libc = ctypes.CDLL(None, use_errno=True)
_libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
_libc.ptrace.restype = ctypes.c_long
_libc.prctl.argtypes = [ctypes.c_int] + [ctypes.c_ulong] * 4


@dataclass(frozen=True)
class Stopped:
    """A thread that was asked to stop has stopped; ``signal`` was on its way to it and goes on when it is let go."""

    tid: int
    signal: int


@dataclass(frozen=True)
class Ended:
    """A held thread, or an adopted process, is no more."""

    tid: int


class Holder(Protocol):
    """Holds threads and lets them go."""

    method: str
    announces: bool
    """Whether :meth:`news` tells of stops; otherwise the thread's state has to be looked at."""

    def hold(self, pid: int, tid: int) -> bool:
        """Ask a thread to stop; ``False`` when that is not permitted. It stops once it gets a CPU to do so."""

    def let_go(self, pid: int, tid: int, deliver: int = 0) -> None:
        """Let a stopped thread run on, with the signal that was on its way to it."""


def _ptrace(request: int, tid: int, data: int = 0) -> int:
    """One ptrace call; returns 0 or the error number."""
    return 0 if _libc.ptrace(request, tid, None, data) == 0 else ctypes.get_errno()


class Tracing:
    """Holds single threads by ptrace. Threads held when this process is killed are killed with it."""

    method = "ptrace"
    announces = True

    def hold(self, pid: int, tid: int) -> bool:  # noqa: ARG002 - the protocol's other implementation needs the process
        """See :class:`Holder`."""
        if _ptrace(_SEIZE, tid, _EXIT_KILL):
            return False
        _ptrace(_INTERRUPT, tid)
        return True

    def let_go(self, pid: int, tid: int, deliver: int = 0) -> None:  # noqa: ARG002 - as above
        """See :class:`Holder`; a thread that is gone needs nothing."""
        _ptrace(_DETACH, tid, deliver)


class Stopping:
    """Holds whole processes by SIGSTOP."""

    method = "SIGSTOP"
    announces = False

    def hold(self, pid: int, tid: int) -> bool:  # noqa: ARG002 - signals of this kind go to processes
        """See :class:`Holder`."""
        try:
            os.kill(pid, signal.SIGSTOP)
        except OSError:
            return False
        return True

    def let_go(self, pid: int, tid: int, deliver: int = 0) -> None:  # noqa: ARG002 - as above
        """See :class:`Holder`."""
        with contextlib.suppress(OSError):
            os.kill(pid, signal.SIGCONT)


def news() -> Iterator[Stopped | Ended]:
    """What the kernel has to tell of held threads and of this process's own children; never blocks.

    Children that ended are reaped, also those adopted as :func:`adopt_orphans` says.
    """
    while True:
        try:
            tid, status = os.waitpid(-1, os.WNOHANG | _WAIT_ALL)
        except ChildProcessError:
            return
        if tid == 0:
            return
        if os.WIFSTOPPED(status):
            in_event = status >> 16 == _STOP_EVENT
            yield Stopped(tid, 0 if in_event else os.WSTOPSIG(status))
        else:
            yield Ended(tid)


@contextlib.contextmanager
def started_on(tid: int, cpu: int | None) -> Iterator[None]:
    """Have a held thread that is let go inside start on ``cpu``; then it may run wherever it might before."""
    try:
        usual = os.sched_getaffinity(tid) if cpu is not None else set[int]()
        chosen = cpu in usual and len(usual) > 1
        if chosen and cpu is not None:
            os.sched_setaffinity(tid, {cpu})
    except OSError:  # it is gone, or its affinity is not ours to change
        chosen = False
    try:
        yield
    finally:
        if chosen:
            with contextlib.suppress(OSError):
                os.sched_setaffinity(tid, usual)


def best_holder() -> Holder:
    """Tracing where this machine permits it, tried on a child made for it; else Stopping. Needs a single thread."""
    child = os.fork()
    if child == 0:
        signal.pause()
        os._exit(0)
    try:
        permitted = _ptrace(_SEIZE, child, _EXIT_KILL) == 0
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, _WAIT_ALL)
    return Tracing() if permitted else Stopping()


def adopt_orphans() -> None:
    """Become the parent of every descendant whose own parent ends, as init does (prctl(2), CHILD_SUBREAPER)."""
    _libc.prctl(_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def signal_when_parent_ends(number: int) -> None:
    """Have the kernel send a signal when the thread that started this process ends (prctl(2), PDEATHSIG)."""
    _libc.prctl(_SET_PDEATHSIG, number, 0, 0, 0)
