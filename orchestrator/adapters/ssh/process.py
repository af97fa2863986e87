"""A command that goes on: a reader thread stamps each line as it arrives and holds it until the engine asks for it."""

from __future__ import annotations

import threading
from collections import deque

import paramiko

from orchestrator.adapters.ssh.keepalive import Keepalive
from orchestrator.adapters.ssh.patience import Deadline, cut_off
from orchestrator.adapters.ssh.peer import Peer
from orchestrator.engine.lines import LineSplitter
from orchestrator.engine.ports import Clock, Line
from orchestrator.units import Seconds

# How long one wait in paramiko may last before other things are looked at (standard error, whether the command has
# ended). Standard output wakes the reader at once, so stamps do not depend on it.
SLICE_S = 0.25
CHUNK = 32 * 1024
ERRORS_KEPT = 4096
# What is held for an engine that does not ask for lines: beyond it nothing more is read, so that SSH's flow control
# holds up the command rather than memory growing or lines being lost. A line weighs its characters and an allowance for
# the object.
HELD = 8 * 1024 * 1024
LINE_WEIGHT = 200
WRITE_S = 10.0

# How long a channel may be silent after its command's exit status before it is left; longer than a slow link's pause.
LINGER_S = 1.0


class SshProcess:
    """A running command on one channel; see :class:`orchestrator.engine.ports.Process`.

    Attributes:
        dropped: lines that were let go because nobody asked for them while the command was being stopped.
    """

    def __init__(self, channel: paramiko.Channel, peer: Peer, clock: Clock, keepalive: Keepalive) -> None:
        self.dropped = 0
        self._channel = channel
        self._peer = peer
        self._keepalive = keepalive
        self._clock = clock
        self._lines: deque[Line] = deque()
        self._held = 0
        self._errors = b""
        self._finished = False
        self._letting_go = False
        self._changed = threading.Condition()
        channel.settimeout(SLICE_S)
        self._reader = threading.Thread(target=self._read, name=f"ssh channel {channel.get_id()}", daemon=True)
        self._reader.start()

    def lines(self) -> list[Line]:
        """What has arrived since the last call."""
        with self._changed:
            taken = list(self._lines)
            self._lines.clear()
            self._held = 0
            self._changed.notify_all()
        return taken

    def wait_line(self, timeout_s: Seconds) -> Line | None:
        """The next line, or ``None`` when none came in time or none can come any more.

        A machine that falls silent meanwhile is found out, and has :meth:`ended` say -1.
        """
        with self._changed:
            patient_s = min(timeout_s, self._keepalive.every_s)
            if not self._changed.wait_for(self._is_news, patient_s) and timeout_s > patient_s:
                with self._keepalive.over("a command's output was waited for", waited=True):
                    self._changed.wait_for(self._is_news, timeout_s - patient_s)
            if not self._lines:
                return None
            line = self._lines.popleft()
            self._held -= _weight(line)
            self._changed.notify_all()
            return line

    def write(self, text: str) -> None:
        """Send text to standard input."""
        data = text.encode("utf-8", "surrogateescape")
        deadline = Deadline(self._clock, WRITE_S)
        while data:
            try:
                sent = self._channel.send(data)
            except TimeoutError as error:
                if deadline.passed():
                    raise self._peer.silent("a command's input was sent", WRITE_S) from error
                continue
            except (OSError, EOFError, paramiko.SSHException) as error:
                raise self._input_closed() from error
            if sent == 0:
                raise self._input_closed()
            data = data[sent:]

    def ended(self) -> int | None:
        """Exit status, known once everything that was printed has been read from the channel."""
        return self._channel.exit_status if self._finished else None

    def errors(self) -> str:
        """The end of standard error so far."""
        return self._errors.decode("utf-8", "replace")

    def stop(self, timeout_s: Seconds) -> int | None:
        """Close standard input and wait for the exit status.

        The channel is closed only then: Dropbear ends the whole connection when a channel goes before its status was
        read. ``None`` says that no status came in time; the channel stays, and stop can be called again.
        """
        deadline = Deadline(self._clock, timeout_s)
        self.let_go()
        try:
            with cut_off(max(timeout_s, SLICE_S), self._channel.get_transport().close):
                self._channel.shutdown_write()
        except (OSError, EOFError, paramiko.SSHException):
            pass  # the connection is gone, and with it the command's input
        if not self._channel.status_event.wait(deadline.left_s()):
            return None
        self._reader.join(deadline.left_s() + 2 * SLICE_S)
        self._channel.close()
        return self._channel.exit_status

    def let_go(self) -> None:
        """From now on hold the newest lines only, rather than the command up."""
        with self._changed:
            self._letting_go = True
            self._changed.notify_all()

    def join(self, timeout_s: Seconds) -> None:
        """Wait for the reader thread; it ends with the channel."""
        self._reader.join(timeout_s)

    def _is_news(self) -> bool:
        return bool(self._lines) or self._finished

    def _input_closed(self) -> Exception:
        if lost(self._channel.get_transport()):
            return self._keepalive.gone()
        return self._peer.fault("the command takes no more input: it has ended, or its input was closed")

    def _read(self) -> None:
        splitter = LineSplitter()
        quiet = Quiet(self._channel, self._clock)
        while True:
            data = receive(self._channel)
            arrived_s = self._clock.monotonic()
            errors = self._keep_errors()
            if data:
                self._hold(splitter.feed(data, arrived_s))
            if data == b"" or quiet.enough(data, errors):
                break
        self._hold(splitter.finish(self._clock.monotonic()))
        while not self._channel.status_event.wait(SLICE_S):
            self._keep_errors()
        self._keep_errors()
        with self._changed:
            self._finished = True
            self._changed.notify_all()

    def _hold(self, lines: list[Line]) -> None:
        with self._changed:
            for line in lines:
                while self._held > HELD and not self._letting_go:
                    self._changed.notify_all()
                    self._changed.wait()
                self._lines.append(line)
                self._held += _weight(line)
                while self._held > HELD and self._letting_go:
                    self._held -= _weight(self._lines.popleft())
                    self.dropped += 1
            self._changed.notify_all()

    def _keep_errors(self) -> bytes:
        received = receive_errors(self._channel)
        self._errors = (self._errors + received)[-ERRORS_KEPT:]
        return received


class Quiet:
    """Whether a channel whose command has ended has been silent for long enough to be left.

    Output goes on after the exit status when there is much of it, until the channel's end of file; that never comes
    when the command left a child behind that holds the output open.
    """

    def __init__(self, channel: paramiko.Channel, clock: Clock) -> None:
        self._channel = channel
        self._clock = clock
        self._since_s = clock.monotonic()

    def enough(self, *received: bytes | None) -> bool:
        """Take note of what has just been received."""
        if any(received) or not self._channel.status_event.is_set():
            self._since_s = self._clock.monotonic()
            return False
        return self._clock.monotonic() - self._since_s > LINGER_S


def receive(channel: paramiko.Channel) -> bytes | None:
    """What is on standard output: empty at its end, ``None`` when nothing came within the channel's time limit."""
    try:
        return channel.recv(CHUNK)
    except TimeoutError:
        return None
    except (OSError, EOFError, paramiko.SSHException):
        return b""  # the connection broke while room for more was being announced


def receive_errors(channel: paramiko.Channel) -> bytes:
    """What is on standard error now."""
    data = bytearray()
    try:
        while channel.recv_stderr_ready() and len(data) < HELD:
            data += channel.recv_stderr(CHUNK)
    except (OSError, EOFError, paramiko.SSHException):
        pass  # as above; what was there is kept
    return bytes(data)


def lost(transport: paramiko.Transport) -> bool:
    """Whether the connection is gone.

    paramiko wakes those who wait on a channel a moment before it marks the connection as ended; this waits for that
    moment, since an exit status of -1 means either a lost connection or a command that was killed by a signal.
    """
    if transport.is_active():
        transport.join(0.1)
    return not (transport.is_active() and transport.is_alive())


def _weight(line: Line) -> int:
    return len(line.text) + LINE_WEIGHT
