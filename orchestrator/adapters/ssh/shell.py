"""A login: commands to their end, commands that go on, files."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Mapping, Sequence

import paramiko

from orchestrator.adapters.ssh import files as transfer
from orchestrator.adapters.ssh.commands import command_line, supervised
from orchestrator.adapters.ssh.keepalive import Keepalive
from orchestrator.adapters.ssh.patience import Deadline, cut_off
from orchestrator.adapters.ssh.peer import Peer, printable
from orchestrator.adapters.ssh.process import CHUNK, SLICE_S, Quiet, SshProcess, lost, receive, receive_errors
from orchestrator.engine.ports import Clock, Completed
from orchestrator.errors import StageError
from orchestrator.units import Seconds

# For opening a channel and having a command started: long, since a guest under full load forks slowly.
CHANNEL_S = 15.0
MAX_OUTPUT = 16 * 1024 * 1024
# While there is more to send and no room for it, output is looked at this often.
_TURN_S = 0.01


class SshShell:
    """A login on one machine; see :class:`orchestrator.engine.ports.Shell`."""

    def __init__(self, transport: paramiko.Transport, peer: Peer, clock: Clock, keepalive: Keepalive) -> None:
        self._transport = transport
        self._peer = peer
        self._clock = clock
        self._keepalive = keepalive
        self._processes: weakref.WeakSet[SshProcess] = weakref.WeakSet()
        self._sftp = True

    def run(
        self, argv: Sequence[str], *, stdin: str = "", timeout_s: Seconds = 10.0, folder: str | None = None
    ) -> Completed:
        """Run a command to its end; ``status`` is -1 when a signal ended it.

        When time is up the channel is closed and an error raised; OpenSSH lets the command go on, though.
        """
        command = self._words(lambda: command_line(argv, folder))
        with self._keepalive.over(f"{_shown(command)} was run"):
            status, output, errors = self._complete(command, stdin.encode("utf-8", "surrogateescape"), timeout_s)
        return Completed(status, output.decode("utf-8", "replace"), errors.decode("utf-8", "replace"))

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> SshProcess:
        """Start a command that goes on; :mod:`.commands` tells how the end of input ends it."""
        command = self._words(
            lambda: supervised(argv, folder) if end_with_input else command_line(argv, folder, replace=True)
        )
        with self._keepalive.over("a command was started"):
            channel = self._execute(command, CHANNEL_S)
        process = SshProcess(channel, self._peer, self._clock, self._keepalive)
        self._processes.add(process)
        return process

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        """Write files, mode 0755: over SFTP, or through a command where the server has none."""
        for name in files:
            if not name or "/" in name or "\0" in name or name in {".", ".."}:
                raise self._peer.fault(f"{printable(name)!r} is no name of a file; give a plain name without a path")
        with self._keepalive.over("files were sent"):
            if self._sftp:
                self._sftp = self._put_over_sftp(files, folder)
            if not self._sftp:
                self._put_by_command(files, folder)

    def close(self) -> None:
        """End the login. What was started with ``end_with_input`` ends with it."""
        for process in list(self._processes):
            process.let_go()
        end(self._transport)
        for process in list(self._processes):
            process.join(2.0)

    def _words(self, make: Callable[[], bytes]) -> bytes:
        try:
            return make()
        except ValueError as error:
            raise self._peer.fault(str(error)) from error

    def _open(self, timeout_s: Seconds) -> paramiko.Channel:
        try:
            channel = self._transport.open_session(timeout=timeout_s)
        except paramiko.ChannelException as error:
            raise self._peer.fault(
                f"no further session on this login ({printable(error)}); the server's limit (MaxSessions) is reached"
            ) from error
        except (paramiko.SSHException, EOFError, OSError) as error:
            raise self._broken("a session was opened", timeout_s) from error
        channel.settimeout(timeout_s)
        return channel

    def _execute(self, command: bytes, timeout_s: Seconds) -> paramiko.Channel:
        deadline = Deadline(self._clock, timeout_s)
        channel = self._open(timeout_s)
        with cut_off(max(deadline.left_s(), 0.001), channel.close) as watch:
            try:
                channel.exec_command(command)  # type: ignore[arg-type, unused-ignore]  # bytes are right, some stubs say str
            except (paramiko.SSHException, EOFError, OSError) as error:
                channel.close()
                if watch.fired or lost(self._transport):
                    raise self._broken("a command was started", timeout_s) from error
                raise self._peer.fault("the server refuses to run commands for this user") from error
        return channel

    def _broken(self, doing: str, waited_s: Seconds) -> StageError:
        return self._keepalive.gone() if lost(self._transport) else self._peer.silent(doing, waited_s)

    def _complete(self, command: bytes, data: bytes, timeout_s: Seconds) -> tuple[int, bytes, bytes]:
        """Run a command, feed it, and collect what it prints."""
        deadline = Deadline(self._clock, timeout_s)
        channel = self._execute(command, timeout_s)
        try:
            with cut_off(max(deadline.left_s(), 0.001) + SLICE_S, self._transport.close):
                output, errors = self._converse(channel, data, deadline)
            ended = channel.status_event.wait(deadline.left_s())
        finally:
            channel.close()
        if channel.exit_status == -1 and lost(self._transport) and not deadline.passed():
            raise self._keepalive.gone()
        if not ended:
            reason = f"no end of {_shown(command)} within {timeout_s:.3g} s; it may go on there"
            raise self._peer.fault(reason, may_pass=True, silent=True)
        return channel.exit_status, output, errors

    def _converse(self, channel: paramiko.Channel, data: bytes, deadline: Deadline) -> tuple[bytes, bytes]:
        output, errors = bytearray(), bytearray()
        feed = _Feed(channel, data)
        quiet = Quiet(channel, self._clock)
        while not deadline.passed():
            waiting = feed.push()
            channel.settimeout(min(_TURN_S if waiting else SLICE_S, deadline.left_s()))
            received, complaint = receive(channel), receive_errors(channel)
            output += received or b""
            errors += complaint
            if len(output) + len(errors) > MAX_OUTPUT:
                raise self._peer.fault(f"a command printed more than {MAX_OUTPUT // 2**20} MiB, which none here should")
            if received == b"" or quiet.enough(received, complaint):
                channel.status_event.wait(deadline.left_s())
                errors += receive_errors(channel)
                break
        return bytes(output), bytes(errors)

    def _put_over_sftp(self, files: Mapping[str, bytes], folder: str) -> bool:
        channel = self._open(CHANNEL_S)
        try:
            with cut_off(CHANNEL_S, channel.close):
                client = transfer.open_sftp(channel)
            if client is not None:
                transfer.send(client, files, folder)
        except transfer.TransferError as error:
            raise self._peer.fault(str(error)) from error
        except TimeoutError as error:
            raise self._peer.silent("files were sent", CHANNEL_S) from error
        except (paramiko.SSHException, EOFError, OSError) as error:
            if lost(self._transport):
                raise self._keepalive.gone() from error
            raise self._peer.fault(f"files cannot be sent to {folder!r} ({printable(error)})") from error
        finally:
            transfer.hang_up(channel)
        if client is None and lost(self._transport):
            raise self._keepalive.gone()
        return client is not None

    def _put_by_command(self, files: Mapping[str, bytes], folder: str) -> None:
        for name, content in files.items():
            command = command_line(transfer.receiver(folder, name, len(content)))
            limit_s = CHANNEL_S + len(content) / transfer.SLOWEST_BYTES_PER_S
            status, _, errors = self._complete(command, content, limit_s)
            if status != 0:
                reason = printable(errors.decode("utf-8", "replace").strip()) or f"status {status}"
                raise self._peer.fault(f"{name!r} cannot be written to {folder!r} ({reason})")


class _Feed:
    """What is still to be sent to a command's standard input."""

    def __init__(self, channel: paramiko.Channel, data: bytes) -> None:
        self._channel = channel
        self._data = memoryview(data)
        self._open = True

    def push(self) -> bool:
        """Send as much as there is room for, then close the input; returns whether more is waiting."""
        try:
            while self._data and self._channel.send_ready():
                sent = self._channel.send(bytes(self._data[:CHUNK]))
                self._data = self._data[sent:] if sent else self._data[:0]
                if self._channel.recv_ready():
                    break
            if not self._data and self._open:
                self._open = False
                self._channel.shutdown_write()
        except (OSError, EOFError, paramiko.SSHException):
            self._data = self._data[:0]  # the command has ended without reading all of it, which is its right
        return len(self._data) > 0


def _shown(command: bytes) -> str:
    """A command for a message."""
    return repr(printable(command.decode("utf-8", "replace"), 80))


def end(transport: paramiko.Transport) -> None:
    """Close a connection, whatever state it is in, and wait for its thread."""
    transport.close()
    transport.sock.close()
    if transport.is_alive():
        transport.join(2.0)
