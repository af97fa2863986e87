"""Switching a guest off: in order by every way there is, then hard where the lab allows it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.ports import Clock, Connector
from orchestrator.errors import GuestFault, StageError
from orchestrator.hypervisors.libvirt.standing import Standing
from orchestrator.units import Seconds, format_duration

_LOOK_EVERY_S: Seconds = 0.2
#: A system that is still starting misses the first press of its power button, and the second.
_ASK_EVERY_S: Seconds = 5.0
#: After this part of the time, also by a login: not every system listens to its power button.
_LOG_IN_AFTER = 1 / 3
_LOGIN_WITHIN_S: Seconds = 10.0
#: Looked for where logins of plain users do not look, and with the rights of root where they can be had at once.
_POWEROFF = 'PATH="$PATH:/usr/sbin:/sbin"; poweroff || sudo -n poweroff'


class Machine(Protocol):
    """What it takes to switch a guest off. Errors are StageErrors."""

    def standing(self) -> Standing:
        """State and reason."""

    def has_agent(self) -> bool:
        """Whether an agent inside the guest is connected."""

    def ask_to_shut_down(self, *, by_agent: bool, within_s: Seconds) -> None:
        """Ask for a shutdown in order."""

    def pull_the_plug(self) -> None:
        """Switch off hard; it is off when this returns."""


def switch_off(
    machine: Machine, clock: Clock, timeout_s: Seconds, log_in_and_power_off: Callable[[Seconds], None], *, force: bool
) -> None:
    """Switch a guest off; harmless where it is off.

    Args:
        machine: the guest.
        clock: measures the time, and waits.
        timeout_s: for a shutdown in order.
        log_in_and_power_off: is given the seconds left.
        force: whether it may be switched off hard when the time is over, or when it cannot go in order.

    Raises:
        GuestFault: it is not off, and must not be forced.
        HostFault: the host does not answer.
    """
    shutdown = _Shutdown(machine, clock, timeout_s, log_in_and_power_off)
    standing, why = shutdown.wait()
    if standing.is_off:
        return
    if not force:
        raise GuestFault(f"{why}; force-off: true in the lab would switch it off hard", barred=shutdown.barred)
    machine.pull_the_plug()


class _Shutdown:
    """A shutdown in order, asked for again and again until it is done or the time is over."""

    def __init__(
        self, machine: Machine, clock: Clock, timeout_s: Seconds, log_in_and_power_off: Callable[[Seconds], None]
    ) -> None:
        self._machine, self._clock, self._timeout_s = machine, clock, timeout_s
        self._log_in_and_power_off = log_in_and_power_off
        self._began_s = clock.monotonic()
        self._asked, self._ask_at_s = 0, self._began_s
        self._log_in_at_s = self._began_s + timeout_s * _LOG_IN_AFTER
        self._refusal, self.barred = "", False

    def wait(self) -> tuple[Standing, str]:
        """Ask until it is off, or until there is no sense in it. Returns where the guest is then, and why."""
        while True:
            left_s = self._began_s + self._timeout_s - self._clock.monotonic()
            if (standing := self._look(left_s)) is not None:
                if standing.is_off:
                    return standing, ""
                if not standing.can_shut_down:
                    return standing, f"the guest cannot shut down in order: {standing.trouble}"
                if left_s <= 0:
                    within = format_duration(self._timeout_s)
                    return standing, f"the guest did not shut down within {within}{self._refusal}"
                self._ask(left_s)
            self._clock.sleep(min(_LOOK_EVERY_S, max(left_s, 0.0)))

    def _look(self, left_s: Seconds) -> Standing | None:
        """Where the guest is; ``None`` while the host is away for a moment."""
        try:
            return self._machine.standing()
        except StageError as error:
            if left_s <= 0 or not error.may_pass:
                raise
            return None

    def _ask(self, left_s: Seconds) -> None:
        """Ask by the way that is due, if any; one that fails is told of at the end, if no other helps."""
        now_s = self._clock.monotonic()
        try:
            if now_s >= self._ask_at_s:
                self._asked, self._ask_at_s = self._asked + 1, now_s + _ASK_EVERY_S
                by_agent = self._asked % 2 == 1 and self._machine.has_agent()
                self._machine.ask_to_shut_down(by_agent=by_agent, within_s=left_s)
            elif now_s >= self._log_in_at_s:
                self._log_in_at_s = math.inf
                self._log_in_and_power_off(left_s)
        except StageError as error:
            self._refusal, self.barred = f" ({error})", error.barred


def power_off_by_login(connector: Connector, access: SshAccess, within_s: Seconds) -> None:
    """Log in to the guest and tell it to power off; a connection that is lost then is a good sign.

    The host key says that it is this guest and no other that answers at the address.

    Raises:
        StageError: it cannot be logged in to, or has no such command.
    """
    shell = connector.connect(access, machine="guest", timeout_s=min(within_s, _LOGIN_WITHIN_S))
    try:
        done = shell.run(["sh", "-c", _POWEROFF], timeout_s=min(within_s, _LOGIN_WITHIN_S))
    finally:
        shell.close()
    if done.status > 0:
        raise GuestFault(f"poweroff over SSH ended with exit status {done.status}")
