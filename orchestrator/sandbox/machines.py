"""The sandbox's guests on its libvirt: defined, started, shut down, and what they are doing.

libvirt's calls have no limit of their own: a daemon that has stopped still accepts connections and would hold the
caller for ever. So each is given up after a while, and a connection whose call was given up is never used again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

import libvirt

from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.limited_call import limited
from orchestrator.sandbox.domains import OFF, RUNNING, UNDEFINED
from orchestrator.sandbox.waiting import wait_until
from orchestrator.units import Seconds

T = TypeVar("T")

#: Long: on a busy machine a daemon may have to wait for another job of the guest before it answers.
ANSWER_WITHIN_S: Seconds = 30.0
START_WITHIN_S: Seconds = 60.0
_CLOSE_WITHIN_S: Seconds = 5.0
#: How long an interrupt waits for the call in hand.
_INTERRUPTED_S: Seconds = 5.0
#: A guest that still boots misses the first press of its power button.
_ASK_EVERY_S = 5.0
_STATES = {
    libvirt.VIR_DOMAIN_RUNNING: RUNNING,
    libvirt.VIR_DOMAIN_BLOCKED: RUNNING,
    libvirt.VIR_DOMAIN_PAUSED: "paused",
    libvirt.VIR_DOMAIN_SHUTDOWN: "shutting down",
    libvirt.VIR_DOMAIN_SHUTOFF: OFF,
    libvirt.VIR_DOMAIN_CRASHED: "crashed",
    libvirt.VIR_DOMAIN_PMSUSPENDED: "asleep",
}


class SilentError(SandboxError):
    """The daemon accepts connections and does not answer."""


class Machines:
    """Guests by name, through one connection.

    Every method raises SandboxError with libvirt's words, or SilentError when no answer comes in time.
    """

    def __init__(self, connection: Any) -> None:
        self._connection = connection
        self._given_up = False

    def define(self, xml: str) -> None:
        """Define a guest, or replace its definition; that of a running guest counts from its next start."""
        self._ask("define a guest", lambda: self._connection.defineXML(xml))

    def power(self, name: str) -> str:
        """``running``, ``off``, ``not defined`` and so on."""

        def look() -> str:
            domain = self._find(name)
            return UNDEFINED if domain is None else _STATES.get(domain.state()[0], "in an unknown state")

        return self._ask(f"ask for {name}", look)

    def shape(self, name: str) -> tuple[int, int] | None:
        """Its vCPUs and memory in bytes: as defined, or as given now where it runs."""

        def look() -> tuple[int, int] | None:
            domain = self._find(name)
            if domain is None:
                return None
            _state, _maximum, memory_kib, vcpus, _time = domain.info()
            return vcpus, memory_kib * 1024

        return self._ask(f"ask for {name}", look)

    def start(self, name: str) -> None:
        """Power on."""
        self._ask(f"start {name}", lambda: self._connection.lookupByName(name).create(), START_WITHIN_S)

    def stop(self, name: str, clock: Clock, patience_s: Seconds) -> str:
        """Shut down in order and, when it takes too long, switch off; returns how it went, empty when it was off."""
        if not self._is_on(name):
            return ""
        end_s = clock.monotonic() + patience_s
        while (left_s := end_s - clock.monotonic()) > 0:
            self._ask(f"stop {name}", lambda: self._press(name))
            if wait_until(lambda: not self._is_on(name), clock, min(left_s, _ASK_EVERY_S)):
                return "shut down"
        self._ask(f"stop {name}", lambda: self._pull(name))
        if self._is_on(name):
            raise SandboxError(f"could not stop {name}: it runs on although it was switched off")
        return "switched off"

    def undefine(self, name: str) -> None:
        """Forget a guest; harmless when there is none."""

        def forget() -> None:
            if (domain := self._find(name)) is not None:
                domain.undefineFlags(
                    libvirt.VIR_DOMAIN_UNDEFINE_MANAGED_SAVE | libvirt.VIR_DOMAIN_UNDEFINE_SNAPSHOTS_METADATA
                )

        self._ask(f"undefine {name}", forget)

    def close(self) -> None:
        """Close the connection, unless a call still waits in it."""
        if not self._given_up:
            with suppress(libvirt.libvirtError, TimeoutError):
                limited(self._connection.close, _CLOSE_WITHIN_S)

    def _is_on(self, name: str) -> bool:
        def look() -> bool:
            domain = self._find(name)
            return domain is not None and bool(domain.isActive())

        return self._ask(f"ask for {name}", look)

    def _press(self, name: str) -> None:
        with suppress(libvirt.libvirtError):  # paused, or off at this very moment
            self._connection.lookupByName(name).shutdown()

    def _pull(self, name: str) -> None:
        with suppress(libvirt.libvirtError):
            self._connection.lookupByName(name).destroy()

    def _find(self, name: str) -> Any:
        try:
            return self._connection.lookupByName(name)
        except libvirt.libvirtError as error:
            if error.get_error_code() == libvirt.VIR_ERR_NO_DOMAIN:
                return None
            raise

    def _ask(self, asked: str, call: Callable[[], T], within_s: Seconds | None = None) -> T:
        try:
            return _answer(asked, call, within_s)
        except SilentError:
            self._given_up = True  # its thread still waits in it, so that it cannot even be closed
            raise


@contextmanager
def machines(uri: str) -> Iterator[Machines]:
    """Connect for as long as the block lasts.

    Raises:
        SandboxError: with libvirt's words; SilentError when no answer comes in time.
    """
    libvirt.registerErrorHandler(lambda _context, _error: None, None)  # errors are raised; none is printed besides
    found = Machines(_answer(f"connect to {uri}", lambda: libvirt.open(uri)))
    try:
        yield found
    finally:
        found.close()


def _answer(asked: str, call: Callable[[], T], within_s: Seconds | None = None) -> T:
    """Call libvirt within a limit, and say in words what it refuses."""
    limit_s = ANSWER_WITHIN_S if within_s is None else within_s
    try:
        return limited(call, limit_s, interrupted_s=_INTERRUPTED_S)
    except libvirt.libvirtError as error:
        hint = ""
        if error.get_error_code() == libvirt.VIR_ERR_NO_CONNECT:
            hint = "; libvirt's part for QEMU is missing: sudo apt-get install libvirt-daemon-driver-qemu"
        raise SandboxError(f"could not {asked}: {error.get_error_message()}{hint}") from error
    except TimeoutError as error:
        raise SilentError(
            f"could not {asked}: the sandbox's libvirt daemon gave no answer within {limit_s:g} s"
        ) from error
