"""Where commands run: on the controller as child processes, or on the host over its login."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from orchestrator.core.design.lab import SshAccess
from orchestrator.core.design.wording import shown
from orchestrator.engine.ports import Clock, Connector, Shell
from orchestrator.errors import HostFault, StageError
from orchestrator.hypervisors.command.child import MAX_OUTPUT, Ended, run_child
from orchestrator.units import Seconds

_MOST_PATH = 4096
_CONNECT_S: Seconds = 20.0
#: What timeout(1) and the login may need beyond the command's own limit.
_EXTRA_S: Seconds = 10.0
_KILL_AFTER_S = 2
#: What a login reports of a command that a signal has ended.
_SIGNALLED = -1
#: Of timeout(1), for a command that SIGTERM ended and for one that took SIGKILL, which ends timeout(1) as well.
_TIMED_OUT = frozenset({124, 137, _SIGNALLED})
_REPLACED = "\N{REPLACEMENT CHARACTER}"


class Machine(Protocol):
    """Runs commands to their end."""

    place: str
    """Where commands run, in words: ``in '/srv/lab' on the controller``."""

    def run(self, argv: Sequence[str], data: bytes, limit_s: Seconds) -> Ended:
        """Run a command with ``data`` as its standard input. Raises HostFault when it cannot be started."""

    def typed(self, argv: Sequence[str]) -> str:
        """The line by which a person runs a command there from a shell on this machine; its input is the line's."""

    def close(self) -> None:
        """Let go of the machine; safe to call twice."""


class Controller:
    """The machine that this program runs on.

    Args:
        folder: working directory of the commands.
        clock: measures their limits.
    """

    def __init__(self, folder: str | None, clock: Clock) -> None:
        self._folder = Path(folder).expanduser() if folder is not None else None
        self._clock = clock
        self.place = f"in {shown(str(Path.cwd() / (self._folder or '')), _MOST_PATH)} on the controller"

    def run(self, argv: Sequence[str], data: bytes, limit_s: Seconds) -> Ended:
        """See :class:`Machine`."""
        if self._folder is not None and not self._folder.is_dir():
            raise HostFault(
                f"there is no folder {shown(str(self._folder), _MOST_PATH)}; correct folder in the lab, or create it"
            )
        try:
            return run_child(argv, str(self._folder) if self._folder is not None else None, data, limit_s, self._clock)
        except FileNotFoundError as error:
            raise HostFault(
                f"there is no program {shown(argv[0])}; install it, or correct its path in the lab"
            ) from error
        except PermissionError as error:
            raise HostFault(f"{shown(argv[0])} may not be run; make it executable, or name its interpreter") from error
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise HostFault(f"{shown(argv[0])} cannot be started ({reason})") from error

    def typed(self, argv: Sequence[str]) -> str:
        """See :class:`Machine`; in a shell of its own, so that the next line begins where this one did."""
        folder = str(Path.cwd() / (self._folder or ""))
        return f"(cd {shlex.quote(folder)} && exec {shlex.join(argv)})"

    def close(self) -> None:
        """Nothing is held."""


class LoggedIn:
    """The host, over SSH. One login is kept, and made anew after it was lost.

    Args:
        access: the lab host's ``ssh``.
        folder: working directory of the commands.
        connector: logs in.
        clock: tells a command that was ended for its time from one that ended alike.
    """

    def __init__(self, access: SshAccess, folder: str | None, connector: Connector, clock: Clock) -> None:
        self._access, self._folder, self._connector, self._clock = access, folder, connector, clock
        self._shell: Shell | None = None
        self._limiter: tuple[str, ...] = ()
        self.place = f"in {shown(folder or '~', _MOST_PATH)} on the host"

    def run(self, argv: Sequence[str], data: bytes, limit_s: Seconds) -> Ended:
        """See :class:`Machine`.

        A login does not end what it has started, so timeout(1) of the host does, with the command's process group; a
        host without it lets a late command go on.
        """
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as error:
            raise HostFault(
                f"{shown(argv[0])} was to be given {len(data)} bytes that are not UTF-8 text (byte {error.start} is"
                " not), and a login carries text only; run the commands on the controller (run-on: controller), or have"
                " what is saved encoded as text (base64, for example)"
            ) from error
        try:
            shell = self._logged_in()
            limiter = (*self._limiter, f"{limit_s:.3f}") if self._limiter else ()
            words, began_s = [*limiter, *argv], self._clock.monotonic()
            done = shell.run(words, stdin=text, timeout_s=limit_s + _EXTRA_S, folder=self._folder)
        except StageError as error:
            self.close()
            raise error.reworded(str(error), HostFault) from error
        output, errors = done.output.encode(), done.errors.encode()
        if len(output) > MAX_OUTPUT:
            return Ended(None, b"", errors, too_much=True)
        if limiter and done.status in _TIMED_OUT and self._clock.monotonic() - began_s >= limit_s:
            return Ended(None, output, errors)
        if done.status == _SIGNALLED:
            raise HostFault(f"{shown(argv[0])} was ended by a signal {self.place}; its end may be in the host's log")
        return Ended(done.status, output, errors, exact=_REPLACED not in done.output)

    def typed(self, argv: Sequence[str]) -> str:
        """See :class:`Machine`: over ssh(1), with the lab's key and known hosts."""
        access, there = self._access, shlex.join(argv)
        if self._folder is not None:
            there = f"cd {shlex.quote(self._folder)} && {there}"
        words = ["ssh", "-p", str(access.port)]
        if access.identity is not None:
            words += ["-i", str(Path(access.identity).expanduser())]
        if access.host_key is None:
            words += ["-o", f"UserKnownHostsFile={Path(access.known_hosts).expanduser()}"]
        return shlex.join([*words, f"{access.user}@{access.address}", there])

    def close(self) -> None:
        """End the login."""
        shell, self._shell = self._shell, None
        if shell is not None:
            shell.close()

    def _logged_in(self) -> Shell:
        if self._shell is None:
            shell = self._connector.connect(self._access, machine="host", timeout_s=_CONNECT_S)
            self._shell = shell  # from here on whoever fails closes it
            there = shell.run(["sh", "-c", "command -v timeout"]).status == 0
            self._limiter = ("timeout", "-k", str(_KILL_AFTER_S)) if there else ()
        return self._shell
