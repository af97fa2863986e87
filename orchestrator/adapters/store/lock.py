"""One writer a run: a record lock on a file in its folder, which ends with the process that holds it (fcntl(2))."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
import struct
import weakref
from pathlib import Path

from orchestrator.adapters.store.atomic import explained
from orchestrator.errors import RunBusyError, StoreError

#: Locks of this process, which the system does not show to itself: and closing any descriptor of a locked file, as a
#: look at it would, lets go of the lock (fcntl(2), "Advisory record locking").
_ours: set[Path] = set()
#: struct flock of fcntl(2), for a lock of the whole file.
_WHOLE_FILE = struct.pack("hhqqi", fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)


def is_held(path: Path) -> bool:
    """Whether a living process, as far as this machine sees, has the right to write; nothing is changed by the look."""
    if path.resolve() in _ours:
        return True
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        with contextlib.suppress(OSError):  # a file system without locks tells of none
            kind: int = struct.unpack("hhqqi", fcntl.fcntl(descriptor, fcntl.F_GETLK, _WHOLE_FILE))[0]
            return kind != fcntl.F_UNLCK
        return False
    finally:
        os.close(descriptor)


def _let_go(descriptor: int, path: Path) -> None:
    _ours.discard(path)
    os.close(descriptor)


def _locked(path: Path) -> int:
    with explained("write", path):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = os.pread(descriptor, 200, 0).decode("utf-8", "replace").strip()
        os.close(descriptor)
        if error.errno not in {errno.EACCES, errno.EAGAIN}:  # those two say that it is held: fcntl(2)
            raise StoreError(
                f"cannot lock {path}: {error.strerror}; choose a results folder on a file system with locks"
            ) from error
        raise RunBusyError(
            f"another process writes to this run ({holder or 'it left no name'}); "
            f"wait until it has ended, then try again ({path})"
        ) from error
    return descriptor


def _has_name(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


class RunLock:
    """The right to write to one run. It ends at :meth:`release`, or with the process, however that ends."""

    def __init__(self, path: Path) -> None:
        """Take the lock.

        Raises:
            RunBusyError: when another process has it.
            StoreError: the folder cannot be written to.
        """
        self._path = path
        descriptor = _locked(path)
        while not _has_name(descriptor, path):  # its holder ended between the two steps, and took the file away
            os.close(descriptor)
            descriptor = _locked(path)
        held = path.resolve()
        _ours.add(held)
        self._close = weakref.finalize(self, _let_go, descriptor, held)
        with explained("write", path):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"process {os.getpid()} on {socket.gethostname()}\n".encode(), 0)

    def release(self) -> None:
        """Let others write; safe to call twice."""
        if self._close.alive:
            self._path.unlink(missing_ok=True)
            self._close()
