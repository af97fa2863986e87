"""The sandbox's guests on its libvirt: defined, started, shut down, and what they are doing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import libvirt

from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.domains import OFF, RUNNING, UNDEFINED
from orchestrator.sandbox.waiting import wait_until
from orchestrator.units import Seconds

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


class Machines:
    """Guests by name, through one connection. Every method raises SandboxError with libvirt's words."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection

    def define(self, xml: str) -> None:
        """Define a guest, or replace its definition; that of a running guest counts from its next start."""
        with _told("define a guest"):
            self._connection.defineXML(xml)

    def power(self, name: str) -> str:
        """``running``, ``off``, ``not defined`` and so on."""
        with _told(f"ask for {name}"):
            domain = self._find(name)
            return UNDEFINED if domain is None else _STATES.get(domain.state()[0], "in an unknown state")

    def shape(self, name: str) -> tuple[int, int] | None:
        """Its vCPUs and memory in bytes: as defined, or as given now where it runs."""
        with _told(f"ask for {name}"):
            domain = self._find(name)
            if domain is None:
                return None
            _state, _maximum, memory_kib, vcpus, _time = domain.info()
            return vcpus, memory_kib * 1024

    def start(self, name: str) -> None:
        """Power on."""
        with _told(f"start {name}"):
            self._connection.lookupByName(name).create()

    def stop(self, name: str, clock: Clock, patience_s: Seconds) -> str:
        """Shut down in order and, when it takes too long, switch off; returns how it went, empty when it was off."""
        with _told(f"stop {name}"):
            domain = self._find(name)
            if domain is None or not domain.isActive():
                return ""
            end_s = clock.monotonic() + patience_s
            while (left_s := end_s - clock.monotonic()) > 0:
                with suppress(libvirt.libvirtError):  # paused, or off at this very moment
                    domain.shutdown()
                if wait_until(lambda: not domain.isActive(), clock, min(left_s, _ASK_EVERY_S)):
                    return "shut down"
            with suppress(libvirt.libvirtError):
                domain.destroy()
            if domain.isActive():
                raise SandboxError(f"could not stop {name}: it runs on although it was switched off")
            return "switched off"

    def undefine(self, name: str) -> None:
        """Forget a guest; harmless when there is none."""
        with _told(f"undefine {name}"):
            if (domain := self._find(name)) is not None:
                domain.undefineFlags(
                    libvirt.VIR_DOMAIN_UNDEFINE_MANAGED_SAVE | libvirt.VIR_DOMAIN_UNDEFINE_SNAPSHOTS_METADATA
                )

    def _find(self, name: str) -> Any:
        try:
            return self._connection.lookupByName(name)
        except libvirt.libvirtError as error:
            if error.get_error_code() == libvirt.VIR_ERR_NO_DOMAIN:
                return None
            raise


@contextmanager
def machines(uri: str) -> Iterator[Machines]:
    """Connect for as long as the block lasts. Raises SandboxError."""
    libvirt.registerErrorHandler(lambda _context, _error: None, None)  # errors are raised; none is printed besides
    with _told(f"connect to {uri}"):
        connection = libvirt.open(uri)
    try:
        yield Machines(connection)
    finally:
        with suppress(libvirt.libvirtError):
            connection.close()


@contextmanager
def _told(asked: str) -> Iterator[None]:
    try:
        yield
    except libvirt.libvirtError as error:
        hint = ""
        if error.get_error_code() == libvirt.VIR_ERR_NO_CONNECT:
            hint = "; libvirt's part for QEMU is missing: sudo apt-get install libvirt-daemon-driver-qemu"
        raise SandboxError(f"could not {asked}: {error.get_error_message()}{hint}") from error
