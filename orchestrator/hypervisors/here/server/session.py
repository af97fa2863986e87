"""One command of one login: a thread that moves bytes both ways, with bounded buffers, and reports how it ended."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

import paramiko
from paramiko.common import cMSG_CHANNEL_REQUEST

from orchestrator.hypervisors.here.server import processes

CHUNK = 32 * 1024
# A wait ends by itself now and then, to see whether the client has gone; and often while the client has no room for
# more, or a command runs on without output, since no descriptor tells when that changes.
IDLE_MS = 500
CLOSED_MS = 50
BLOCKED_MS = 5
NOT_EXECUTABLE = 126
# How long the end of a command waits for the answer to its own start to be sent (see Session.answered).
ANSWER_S = 1.0
# What a message to a client that has left can end in; paramiko says EOFError for a socket that takes no more.
CLIENT_GONE = (OSError, EOFError, paramiko.SSHException)


@dataclass(frozen=True)
class Spawn:
    """How commands are started for one user.

    Attributes:
        mark: what their processes carry in the environment, see :mod:`.processes`.
        announce: called with the process id right after the start.
    """

    home: Path
    environment: Mapping[str, str]
    mark: str
    announce: Callable[[int], None]

    def start(self, command: bytes) -> subprocess.Popen[bytes]:
        """Run a command line with ``/bin/sh`` as the leader of a session of its own."""
        process = subprocess.Popen(  # noqa: S603 - to run what the owner of the key asks for is what a login is for
            ["/bin/sh", "-c", command],
            cwd=self.home,
            env={**self.environment, processes.MARK: self.mark},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
        )
        try:
            self.announce(process.pid)
        except BaseException:
            with process:
                process.kill()
            raise
        return process


@dataclass
class _Output:
    """One output of the command on its way to the client; holds at most one chunk."""

    pipe: IO[bytes]
    send: Callable[[bytes], int]
    waiting: bytes = b""
    open: bool = True

    def move(self) -> bool:
        """Send what waits, then read and send on; returns whether anything moved."""
        moved = False
        while self.waiting or self._read():
            try:
                sent = self.send(self.waiting)
            except TimeoutError:
                break  # the client has no room
            self.waiting = self.waiting[sent:] if sent else b""
            moved = True
        return moved

    def _read(self) -> bool:
        try:
            self.waiting = os.read(self.pipe.fileno(), CHUNK) if self.open else b""
        except BlockingIOError:
            return False
        self.open = bool(self.waiting)
        return self.open


class Session(threading.Thread):
    """Runs one command.

    Attributes:
        answered: set once the client has been told that the command was started. A client takes the end of a channel
            before that answer for a refusal, and the answer is sent by another thread.
    """

    def __init__(self, channel: paramiko.Channel, command: bytes, spawn: Spawn) -> None:
        super().__init__(name=f"session {channel.get_id()}", daemon=True)
        self.answered = threading.Event()
        self._channel = channel
        self._command = command
        self._spawn = spawn
        self._input = b""

    def run(self) -> None:
        """Start the command, serve it to its end, report; or end it when the client goes."""
        try:
            process = self._spawn.start(self._command)
        except Exception as error:  # noqa: BLE001 - whatever the announced-to raise too, the client has to be told
            self._refuse(f"the command cannot be started: {error}\n")
            return
        with process:
            with suppress(*CLIENT_GONE):  # in the middle
                self._serve(process)
            if process.poll() is None:
                _close(process.stdin)
                processes.end(processes.of_session(process.pid, self._spawn.mark))
            process.wait()
        with suppress(*CLIENT_GONE):
            self._report(process.returncode)
        self._close()

    def _serve(self, process: subprocess.Popen[bytes]) -> None:
        """Move bytes until the command has ended and all it printed is sent, or the client has gone."""
        stdin, stdout, stderr = (cast("IO[bytes]", p) for p in (process.stdin, process.stdout, process.stderr))
        for pipe in (stdin, stdout, stderr):
            os.set_blocking(pipe.fileno(), False)
        outputs = [_Output(stdout, self._channel.send), _Output(stderr, self._channel.send_stderr)]
        self._channel.settimeout(0.0)
        while not self._channel.closed:
            ended = process.poll() is not None
            moved = [output.move() for output in outputs]
            self._feed(stdin)
            blocked = any(output.waiting for output in outputs)
            if ended and not blocked and not any(moved):
                return
            if not any(moved):
                self._wait(stdin, outputs, process)

    def _feed(self, stdin: IO[bytes]) -> None:
        """Move what the client has sent to the command; holds at most one chunk, SSH's flow control the rest."""
        while not stdin.closed:
            try:
                self._input = self._input or self._channel.recv(CHUNK)
                if not self._input:
                    _close(stdin)  # the end of the client's input
                    return
                self._input = self._input[os.write(stdin.fileno(), self._input) :]
            except (TimeoutError, BlockingIOError):
                return  # nothing there, or the command has no room
            except BrokenPipeError:
                self._input = b""
                _close(stdin)  # the command reads no more

    def _wait(self, stdin: IO[bytes], outputs: list[_Output], process: subprocess.Popen[bytes]) -> None:
        poller = select.poll()
        for output in outputs:
            if output.open and not output.waiting:
                poller.register(output.pipe, select.POLLIN)
        if not stdin.closed and self._input:
            poller.register(stdin, select.POLLOUT)
        elif not stdin.closed:
            poller.register(self._channel, select.POLLIN)
        if any(output.waiting for output in outputs):
            poller.poll(BLOCKED_MS)
        elif any(output.open for output in outputs):
            poller.poll(IDLE_MS)
        else:
            try:
                process.wait(BLOCKED_MS / 1000)  # most have ended when they close their outputs
            except subprocess.TimeoutExpired:
                poller.poll(CLOSED_MS)

    def _refuse(self, message: str) -> None:
        with suppress(*CLIENT_GONE):
            self._channel.settimeout(ANSWER_S)
            self._channel.send_stderr(message.encode())
            self._report(NOT_EXECUTABLE)
        self._close()

    def _close(self) -> None:
        """Say that nothing more comes; also that is a message, and the client may have left since the last one."""
        with suppress(*CLIENT_GONE):
            self._channel.close()

    def _report(self, status: int) -> None:
        """Tell the client the exit status, or the signal that ended the command (RFC 4254, section 6.10)."""
        self.answered.wait(ANSWER_S)
        if status >= 0:
            self._channel.send_exit_status(status)
            return
        message = paramiko.Message()
        message.add_byte(cMSG_CHANNEL_REQUEST)
        message.add_int(self._channel.remote_chanid)
        message.add_string("exit-signal")
        message.add_boolean(False)  # no reply wanted
        message.add_string(signal.Signals(-status).name.removeprefix("SIG"))
        message.add_boolean(False)  # whether a core was dumped is not known
        message.add_string("")
        message.add_string("")
        # paramiko has no call for this request; its own send_exit_status goes the same way.
        self._channel.get_transport()._send_user_message(message)  # type: ignore[attr-defined]


def _close(pipe: IO[bytes] | None) -> None:
    if pipe is not None:
        pipe.close()
