"""The guests' definitions, as libvirt itself reads them: on its in-memory test driver."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

libvirt = pytest.importorskip("libvirt")

from orchestrator.adapters.clock import SystemClock  # noqa: E402 - only where libvirt can be spoken to
from orchestrator.errors import HostFault, SandboxError  # noqa: E402
from orchestrator.hypervisors.libvirt.marks import require_mark  # noqa: E402
from orchestrator.sandbox.domains import MARK_NAMESPACE, DomainPlan, domain_xml  # noqa: E402
from orchestrator.sandbox.machines import Machines, machines  # noqa: E402

UUID = "0b0c0b7f-8a47-40b3-9e6d-e845c9ceb581"
QEMU = "{http://libvirt.org/schemas/domain/qemu/1.0}"
CLOCK = SystemClock()


def plan(acceleration: str = "tcg", port: int = 40124, name: str = "bookings-1") -> DomainPlan:
    return DomainPlan(
        name=name,
        uuid=UUID,
        memory=192 * 2**20,
        kernel=Path("/srv/sb/images/vmlinuz"),
        initrd=Path("/srv/sb/images/bookings-1.initrd"),
        console=Path("/srv/sb/console/bookings-1.log"),
        port=port,
        acceleration=acceleration,
        emulator="/usr/bin/qemu-system-x86_64",
    )


@pytest.fixture
def connection() -> Iterator[Any]:
    libvirt.registerErrorHandler(lambda _context, _error: None, None)
    opened = libvirt.open("test:///default")
    for domain in opened.listAllDomains():
        if domain.name() != "test":
            domain.undefine()
    yield opened
    opened.close()


def test_libvirt_reads_what_is_meant(connection: Any) -> None:
    Machines(connection).define(domain_xml(plan()))
    domain = connection.lookupByName("bookings-1")
    assert domain.UUIDString() == UUID
    assert domain.maxMemory() == 192 * 1024
    assert domain.vcpusFlags(libvirt.VIR_DOMAIN_AFFECT_CONFIG | libvirt.VIR_DOMAIN_VCPU_MAXIMUM) == 1
    mark = domain.metadata(libvirt.VIR_DOMAIN_METADATA_ELEMENT, MARK_NAMESPACE, libvirt.VIR_DOMAIN_AFFECT_CONFIG)
    assert ET.fromstring(mark).get("may-power-cycle") == "yes"
    kept = ET.fromstring(domain.XMLDesc(libvirt.VIR_DOMAIN_XML_INACTIVE))
    assert kept.findtext("os/kernel") == "/srv/sb/images/vmlinuz"
    assert "console=ttyS0" in str(kept.findtext("os/cmdline"))
    assert "trialbed.name=bookings-1" in str(kept.findtext("os/cmdline"))
    assert kept.find("devices/serial/source[@path='/srv/sb/console/bookings-1.log']") is not None
    assert [kept.findtext(f"on_{event}") for event in ("poweroff", "reboot", "crash")] == [
        "destroy",
        "restart",
        "destroy",
    ]


def test_the_network_reaches_nothing_and_one_port_reaches_the_guest() -> None:
    definition = ET.fromstring(domain_xml(plan()))
    arguments = [argument.get("value") for argument in definition.iter(f"{QEMU}arg")]
    assert arguments[:2] == ["-netdev", "user,id=login,restrict=on,hostfwd=tcp:127.0.0.1:40124-:22"]
    assert definition.find("devices/interface") is None


def test_kvm_is_used_only_when_it_is_said() -> None:
    assert ET.fromstring(domain_xml(plan())).get("type") == "qemu"
    virtualised = ET.fromstring(domain_xml(plan("kvm")))
    assert virtualised.get("type") == "kvm"
    assert virtualised.find("cpu[@mode='host-passthrough']") is not None


def test_the_same_plan_gives_the_same_definition() -> None:
    assert domain_xml(plan()) == domain_xml(plan())
    assert domain_xml(plan()) != domain_xml(plan(port=40125))


def test_a_guest_is_defined_again_started_stopped_and_forgotten(connection: Any) -> None:
    known = Machines(connection)
    text = domain_xml(plan())
    assert known.power("bookings-1") == "not defined"
    assert known.shape("bookings-1") is None
    known.define(text)
    known.define(text)
    assert known.power("bookings-1") == "off"
    assert known.shape("bookings-1") == (1, 192 * 2**20)
    assert known.stop("bookings-1", CLOCK, 1) == ""
    known.start("bookings-1")
    assert known.power("bookings-1") == "running"
    assert known.stop("bookings-1", CLOCK, 5) == "shut down"
    known.start("bookings-1")
    connection.lookupByName("bookings-1").suspend()
    assert known.power("bookings-1") == "paused"
    assert known.stop("bookings-1", CLOCK, 0) in {"shut down", "switched off"}
    known.undefine("bookings-1")
    known.undefine("bookings-1")
    assert known.power("bookings-1") == "not defined"


def test_libvirts_errors_come_with_what_was_asked(connection: Any) -> None:
    with pytest.raises(SandboxError, match="could not define a guest: "):
        Machines(connection).define("<domain/>")
    with pytest.raises(SandboxError, match="could not start lost: Domain not found"):
        Machines(connection).start("lost")
    nowhere = "qemu+unix:///session?socket=/nonexistent/libvirt-sock"
    with pytest.raises(SandboxError, match="could not connect to qemu"), machines(nowhere):
        pytest.fail("connected to nothing")


def test_the_driver_takes_the_mark_for_its_own() -> None:
    """The two are written apart, since a sandbox knows no driver."""
    require_mark(domain_xml(plan()), "bookings-1", "test:///default")
    with pytest.raises(HostFault, match="carries no mark"):
        require_mark(
            domain_xml(plan()).replace(MARK_NAMESPACE, "https://other.example/"), "bookings-1", "test:///default"
        )
