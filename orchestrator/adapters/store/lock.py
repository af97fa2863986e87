"""One writer a run: a record lock on a file in its folder, which ends with the process that holds it (fcntl(2))."""

from __future__ import annotations

import fcntl
import os
import socket
import weakref
from pathlib import Path

from orchestrator.adapters.store.atomic import explained
from orchestrator.errors import StoreError


class RunLock:
    """The right to write to one run. It ends at :meth:`release`, or with the process, however that ends."""

    def __init__(self, path: Path) -> None:
        """Take the lock.

        Raises:
            StoreError: when another process has it, or the folder cannot be written to.
        """
        self._path = path
        with explained("write", path):
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(descriptor, 200, 0).decode("utf-8", "replace").strip()
            os.close(descriptor)
            raise StoreError(
                f"another process writes to this run ({holder or 'it left no name'}); "
                f"wait until it has ended, then try again ({path})"
            ) from error
        self._close = weakref.finalize(self, os.close, descriptor)
        with explained("write", path):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"process {os.getpid()} on {socket.gethostname()}\n".encode(), 0)

    def release(self) -> None:
        """Let others write; safe to call twice."""
        if self._close.alive:
            self._path.unlink(missing_ok=True)
            self._close()
