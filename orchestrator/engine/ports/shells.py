"""Logins on other machines, and what runs there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from orchestrator.core.design.lab import SshAccess
from orchestrator.units import Seconds


@dataclass(frozen=True)
class Line:
    """One line of a process's standard output.

    Attributes:
        text: the line without its end, decoded as UTF-8 with replacement and cut at ``MAX_LINE`` characters.
        arrived_s: controller's monotonic time at which its end arrived.
        cut: whether the line was longer than is kept.
    """

    text: str
    arrived_s: Seconds
    cut: bool = False


MAX_LINE = 64 * 1024


@dataclass(frozen=True)
class Completed:
    """A command that has ended."""

    status: int
    output: str
    errors: str


class Process(Protocol):
    """A command that goes on running on the other machine."""

    def lines(self) -> list[Line]:
        """What has arrived on standard output since the last call; never blocks."""

    def wait_line(self, timeout_s: Seconds) -> Line | None:
        """The next line, waited for at most ``timeout_s``; ``None`` when none came (or the process has ended)."""

    def write(self, text: str) -> None:
        """Send text to standard input. Raises :class:`~orchestrator.errors.StageError` when the line is cut."""

    def ended(self) -> int | None:
        """Exit status once it has ended, -1 when the line was lost or a signal ended it; ``None`` while it runs."""

    def errors(self) -> str:
        """The last 4 KiB or so of standard error so far."""

    def stop(self, timeout_s: Seconds) -> int | None:
        """Close standard input, which ends the command (see :meth:`Shell.start`), and wait for its exit status."""


class Shell(Protocol):
    """A login on one machine. Every method raises a subclass of StageError when the machine cannot be reached."""

    def run(
        self, argv: Sequence[str], *, stdin: str = "", timeout_s: Seconds = 10.0, folder: str | None = None
    ) -> Completed:
        """Run a command to its end. Each argument is quoted: nothing is interpreted by a shell."""

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> Process:
        """Start a command that goes on.

        Args:
            argv: the command; each argument is quoted.
            folder: working directory.
            end_with_input: wrap the command so that the end of its standard input (or a lost connection) kills it; with
                ``False`` the command reads standard input itself and is expected to end when that ends.
        """

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        """Write files (name to content, mode 0755) into ``folder`` (created) over SFTP."""

    def close(self) -> None:
        """End the login; safe to call twice."""


class Connector(Protocol):
    """Opens logins."""

    def obstacle(self, access: SshAccess, *, machine: str) -> str | None:
        """What is missing here, on the controller, for this login to succeed at all; connects to nothing.

        Such as a key file that is not there, or a host key that is not known. ``None`` where nothing is.
        """

    def connect(self, access: SshAccess, *, machine: str, timeout_s: Seconds) -> Shell:
        """Log in.

        Args:
            access: where and as whom.
            machine: ``host`` or ``guest``: decides whose fault a failure is.
            timeout_s: for the whole of it.

        Raises:
            HostFault, GuestFault: with the reason (refused, silent, host key unknown or changed, login refused); its
                ``may_pass`` tells whether waiting can help, its ``barred`` whether a person has to see to the login.
        """
