"""A guest on libvirt's in-memory test driver, with the driver bound to it and a second connection that looks on.

``test:///default`` is shared by all connections of a process for as long as one is open, so that what the driver does
can be seen, and what others do to the guest can be done, from outside.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NoReturn

import libvirt

from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Shell
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault
from orchestrator.hypervisors.libvirt.driver import LibvirtDriver
from orchestrator.hypervisors.libvirt.hypervisor import LibvirtHypervisor

SHARED = "test:///default"
SAVED = libvirt.VIR_DOMAIN_XML_INACTIVE | libvirt.VIR_DOMAIN_XML_SECURE
UUID = "5a7c0000-0000-4000-8000-000000000001"
MARK = "<trialbed:guest xmlns:trialbed='https://trialbed.example/guest/1' may-power-cycle='yes'/>"


def definition(size: str = "<vcpu>2</vcpu>", *, metadata: str = MARK, more: str = "", devices: str = "") -> str:
    """XML as an owner might write it: ``size`` and ``more`` are elements of the domain."""
    return (
        f"<domain type='test'><name>bookings-1</name><uuid>{UUID}</uuid><metadata>{metadata}</metadata>"
        f"<memory unit='MiB'>512</memory>{size}<os><type arch='x86_64'>hvm</type></os>{more}"
        f"<devices>{devices}</devices></domain>"
    )


def shape(vcpus: int = 2, memory: str = "512 MiB", **more: Any) -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": memory, **more})


def lab(uri: str, *, force_off: bool = True, domain: str | None = None, require_mark: bool = False) -> Lab:
    guest = {
        "host": "quay",
        "may-power-cycle": True,
        "force-off": force_off,
        "domain": domain,
        "ssh": {"address": "192.0.2.11", "user": "bench"},
    }
    host = {"hypervisor": "libvirt", "uri": uri, "with": {"require-mark": require_mark}}
    return Lab.model_validate({"hosts": {"quay": host}, "guests": {"bookings-1": guest}})


class Unreachable:
    """A connector for guests that never boot."""

    def connect(self, access: SshAccess, *, machine: str, timeout_s: float) -> Shell:
        raise GuestFault(f"{machine} at {access.address} is silent for {timeout_s} s", may_pass=True)


def bound(uri: str = SHARED, **how: Any) -> LibvirtHypervisor:
    """The driver, bound to the guest through its public face."""
    opened = LibvirtDriver().open("bookings-1", lab(uri, **how), VirtualClock(), Unreachable()).hypervisor
    assert isinstance(opened, LibvirtHypervisor)
    return opened


@dataclass
class Outside:
    """What somebody else sees of the guest, and does to it."""

    connection: Any

    @property
    def domain(self) -> Any:
        return self.connection.lookupByName("bookings-1")

    @property
    def xml(self) -> str:
        return str(self.domain.XMLDesc(SAVED))


def _quiet(_context: object, _error: object) -> None:
    """Errors come as exceptions."""


@contextmanager
def outside(xml: str = "") -> Iterator[Outside]:
    """Another connection to the same host, on which the guest is defined (and off)."""
    libvirt.registerErrorHandler(_quiet, None)
    connection = libvirt.open(SHARED)
    try:
        _clear(connection)
        connection.defineXML(xml or definition())
        yield Outside(connection)
    finally:
        _clear(connection)
        connection.close()


def _clear(connection: Any) -> None:
    """A test that fails keeps its connection, and with it what it made."""
    for domain in connection.listAllDomains():
        if domain.name() != "test":
            persistent = domain.isPersistent()
            if domain.isActive():
                domain.destroy()
            if persistent:
                domain.undefineFlags(libvirt.VIR_DOMAIN_UNDEFINE_MANAGED_SAVE)


def never(*_arguments: object) -> NoReturn:
    raise AssertionError("this is not to be called")
