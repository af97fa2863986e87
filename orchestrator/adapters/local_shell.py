"""A shell on this machine without SSH: real processes, for leases that are kept here, and for tests."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO

from orchestrator.engine.lines import LineSplitter
from orchestrator.engine.ports import Clock, Completed, Line
from orchestrator.errors import GuestFault
from orchestrator.units import Seconds

_CHUNK = 64 * 1024
_ERRORS_KEPT = 4096


class LocalShell:
    """A :class:`~orchestrator.engine.ports.Shell` whose machine is this one.

    Args:
        clock: stamps lines on arrival; the real one.
        home: where relative folders start.
    """

    def __init__(self, clock: Clock, home: Path) -> None:
        self._clock, self._home = clock, home
        self._processes: list[LocalProcess] = []

    def run(
        self, argv: Sequence[str], *, stdin: str = "", timeout_s: Seconds = 10.0, folder: str | None = None
    ) -> Completed:
        """Run a command to its end; a program that is not there gives status 127, as a shell does.

        Leases do without it, a Shell has it: the samplers' programs are checked on this machine through it.
        """
        try:
            done = subprocess.run(  # noqa: S603 - an argument vector, given by the caller
                argv, input=stdin.encode(), capture_output=True, timeout=timeout_s, cwd=self._place(folder), check=False
            )
        except FileNotFoundError:
            return Completed(127, "", f"{argv[0]}: not found")
        except subprocess.TimeoutExpired as error:
            raise GuestFault(f"no end of {argv[0]} within {timeout_s:g} s", may_pass=True) from error
        return Completed(max(done.returncode, -1), _text(done.stdout), _text(done.stderr))

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> LocalProcess:
        """Start a command in a session of its own."""
        try:
            process = LocalProcess(argv, self._place(folder), self._clock, kill=end_with_input)
        except OSError as error:
            raise GuestFault(f"{argv[0]} cannot be started: {error}") from error
        self._processes.append(process)
        return process

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        """Write files into a folder; like :meth:`run` a part of every Shell that leases do without."""
        place = self._place(folder)
        place.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (place / name).write_bytes(content)
            (place / name).chmod(0o755)

    def close(self) -> None:
        """End everything that was started."""
        for process in self._processes:
            process.kill()
        self._processes.clear()

    def _place(self, folder: str | None) -> Path:
        return self._home / (folder or ".")


class LocalProcess:
    """A running command; see :class:`orchestrator.engine.ports.Process`."""

    def __init__(self, argv: Sequence[str], place: Path, clock: Clock, *, kill: bool) -> None:
        self._clock, self._kill = clock, kill
        self._child = subprocess.Popen(  # noqa: S603 - an argument vector, given by the caller
            argv,
            stdin=subprocess.DEVNULL if kill else subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=place,
            start_new_session=True,
        )
        self._lines: deque[Line] = deque()
        self._errors = b""
        self._finished = False
        self._changed = threading.Condition()
        self._threads = [threading.Thread(target=read, daemon=True) for read in (self._read, self._read_errors)]
        for thread in reversed(self._threads):
            thread.start()

    @property
    def pid(self) -> int:
        """The command's process id, which is also that of its session and group."""
        return self._child.pid

    def lines(self) -> list[Line]:
        """What has arrived since the last call."""
        with self._changed:
            taken = list(self._lines)
            self._lines.clear()
        return taken

    def wait_line(self, timeout_s: Seconds) -> Line | None:
        """The next line, or ``None``."""
        with self._changed:
            self._changed.wait_for(lambda: self._lines or self._finished, timeout_s)
            return self._lines.popleft() if self._lines else None

    def write(self, text: str) -> None:
        """Send text to standard input."""
        try:
            _pipe(self._child.stdin).write(text.encode())
            _pipe(self._child.stdin).flush()
        except (OSError, ValueError) as error:  # a value: this end was closed before
            raise GuestFault("the command takes no more input") from error

    def ended(self) -> int | None:
        """Exit status, -1 after a signal."""
        if not self._finished:
            return None
        return max(self._child.wait(), -1)

    def errors(self) -> str:
        """The end of standard error."""
        return _text(self._errors)

    def stop(self, timeout_s: Seconds) -> int | None:
        """End the input, or the command where it does not read its input, and wait for its status."""
        if self._kill:
            self._signal(signal.SIGTERM)
        elif self._child.stdin is not None and not self._child.stdin.closed:
            with suppress(BrokenPipeError):  # it may have ended first
                self._child.stdin.close()
        try:
            status = self._child.wait(timeout_s)
        except subprocess.TimeoutExpired:
            return None
        for thread in self._threads:
            thread.join(timeout_s)
        return max(status, -1)

    def kill(self) -> None:
        """End the command and its children at once."""
        self._signal(signal.SIGKILL)
        self.stop(5.0)

    def _signal(self, number: int) -> None:
        if self._child.poll() is None:
            with suppress(ProcessLookupError):  # it has ended this moment
                os.killpg(self._child.pid, number)

    def _read(self) -> None:
        splitter = LineSplitter()
        with _pipe(self._child.stdout) as output:
            while data := os.read(output.fileno(), _CHUNK):
                self._hold(splitter.feed(data, self._clock.monotonic()))
        self._hold(splitter.finish(self._clock.monotonic()))
        self._child.wait()
        # Its end is an invitation to ask for its last words; a child that outlives it may hold the pipe: not for long.
        self._threads[-1].join(1.0)
        with self._changed:
            self._finished = True
            self._changed.notify_all()

    def _read_errors(self) -> None:
        with _pipe(self._child.stderr) as errors:
            while data := os.read(errors.fileno(), _CHUNK):
                self._errors = (self._errors + data)[-_ERRORS_KEPT:]

    def _hold(self, lines: list[Line]) -> None:
        with self._changed:
            self._lines += lines
            self._changed.notify_all()


def _pipe(stream: IO[bytes] | None) -> IO[bytes]:
    if stream is None:
        raise GuestFault("the command was started without this stream")
    return stream


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")
