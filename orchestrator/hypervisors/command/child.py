"""One command as a child process: bounded in time and in output, ended with everything that it started."""

from __future__ import annotations

import os
import selectors
import signal
import subprocess
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import IO

from orchestrator.engine.ports import Clock
from orchestrator.units import Seconds

MAX_OUTPUT = 4 * 2**20
_ERRORS_KEPT = 64 * 1024
_CHUNK = 64 * 1024
#: A child that has ended may have left something behind that holds its output open (a guest, say): looked at so often.
_TURN_S = 0.05
#: What a child has left in its pipes is read then, with so many reads at most: the other one may go on printing.
_LAST_READS = 32
#: Between SIGTERM and SIGKILL.
_GRACE_S = 2.0


@dataclass(frozen=True)
class Ended:
    """How a command ended.

    Attributes:
        status: exit status; negative after a signal; ``None`` when it was not allowed to go on.
        output: what it printed, at most ``MAX_OUTPUT``.
        errors: the end of what it printed on standard error.
        too_much: whether it was ended for the size of its output, and not for the time it took.
        exact: whether ``output`` is what it printed, byte for byte.
    """

    status: int | None
    output: bytes
    errors: bytes
    too_much: bool = False
    exact: bool = True


def run_child(argv: Sequence[str], folder: str | None, data: bytes, limit_s: Seconds, clock: Clock) -> Ended:
    """Run a command to its end.

    It is the leader of a session of its own: what the terminal sends (Ctrl-C, the end of a login) does not reach it or
    what it leaves running. Its end counts, not that of its output, which something left running may hold open.

    Args:
        argv: the command.
        folder: working directory; ``None`` for that of this process.
        data: its standard input.
        limit_s: after so long its process group is ended: SIGTERM, and 2 s later SIGKILL.
        clock: measures the limit.

    Raises:
        OSError: the command cannot be started.
    """
    with tempfile.TemporaryFile() as stdin:
        stdin.write(data)
        stdin.seek(0)
        child = subprocess.Popen(  # noqa: S603 - an argument vector that the lab's author wrote
            argv, stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=folder, start_new_session=True
        )
    with child.stdout as output, child.stderr as errors:  # type: ignore[union-attr]  # both are pipes
        try:
            return _Listening(child, output, errors).until(clock.monotonic() + limit_s, clock)
        finally:
            if child.returncode is None:
                _end_group(child)


class _Listening:
    """A child and what it has printed so far."""

    def __init__(self, child: subprocess.Popen[bytes], output: IO[bytes], errors: IO[bytes]) -> None:
        self._child = child
        self._output, self._errors = bytearray(), bytearray()
        self._selector = selectors.DefaultSelector()
        for stream, kept in ((output, self._output), (errors, self._errors)):
            os.set_blocking(stream.fileno(), False)
            self._selector.register(stream, selectors.EVENT_READ, kept)

    def until(self, end_s: Seconds, clock: Clock) -> Ended:
        last_words = _LAST_READS
        with self._selector:
            while self._selector.get_map() and last_words:
                left_s = end_s - clock.monotonic()
                if left_s <= 0:
                    return self._ended(None)
                gone = self._child.poll() is not None
                ready = self._take(0.0 if gone else min(_TURN_S, left_s))
                if len(self._output) > MAX_OUTPUT:
                    return self._ended(None, too_much=True)
                if gone:
                    last_words = last_words - 1 if ready else 0
        try:
            return self._ended(self._child.wait(max(end_s - clock.monotonic(), 0.0)))
        except subprocess.TimeoutExpired:
            return self._ended(None)

    def _take(self, wait_s: Seconds) -> bool:
        """Read what is there; returns whether there was anything."""
        ready = self._selector.select(wait_s)
        for key, _ in ready:
            data = os.read(key.fd, _CHUNK)
            if data:
                key.data.extend(data)
            else:
                self._selector.unregister(key.fileobj)
        del self._errors[:-_ERRORS_KEPT]
        return bool(ready)

    def _ended(self, status: int | None, *, too_much: bool = False) -> Ended:
        return Ended(status, bytes(self._output[:MAX_OUTPUT]), bytes(self._errors), too_much)


def _end_group(child: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):
        os.killpg(child.pid, signal.SIGTERM)
    with suppress(subprocess.TimeoutExpired):
        child.wait(_GRACE_S)
    # Also what the child left of its group; the number is not given away while the group has members.
    with suppress(ProcessLookupError):
        os.killpg(child.pid, signal.SIGKILL)
    child.wait()
