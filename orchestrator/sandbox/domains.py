"""The sandbox's guests as libvirt defines them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET
from xml.etree.ElementTree import Element, SubElement

from orchestrator.sandbox.boot import kernel_arguments
from orchestrator.sandbox.ports import LOOPBACK
from orchestrator.units import Bytes

#: The guests: the one that is measured, and its neighbour.
GUESTS = ("bookings-1", "timetable-1")
#: What a guest does, in words; libvirt has more of them.
RUNNING, OFF, UNDEFINED = "running", "off", "not defined"
#: The mark by which a domain says that experiments may stop and reshape it.
MARK_NAMESPACE = "https://trialbed.example/guest/1"
_QEMU_NAMESPACE = "http://libvirt.org/schemas/domain/qemu/1.0"
_PREFIXES = {"trialbed": MARK_NAMESPACE, "qemu": _QEMU_NAMESPACE}

# QEMU's user network needs no rights on the host: the guest reaches nothing (restrict), and one port of the loopback
# address reaches its SSH server. The card sits at an address of its own, so that none that libvirt hands out is in its
# way however many slots a shape takes; without the boot ROM, which nothing here reads.
_NETWORK = "user,id=login,restrict=on,hostfwd=tcp:{address}:{port}-:22"
_CARD = "virtio-net-pci,netdev=login,romfile=,bus=pcie.0,addr=0x1c"


@dataclass(frozen=True)
class DomainPlan:
    """What a guest's definition depends on.

    Attributes:
        name: a guest's name, for libvirt, itself and the lab.
        uuid: fixed, so that defining it again replaces it.
        memory: that it is given.
        kernel, initrd: booted directly.
        console: takes what the guest's serial line says.
        port: of the loopback address; leads to the guest's SSH server.
        acceleration: ``kvm`` or ``tcg``.
        emulator: QEMU's program.
    """

    name: str
    uuid: str
    memory: Bytes
    kernel: Path
    initrd: Path
    console: Path
    port: int
    acceleration: str
    emulator: str


def domain_xml(plan: DomainPlan) -> str:
    """The definition, with one vCPU; plans reshape it."""
    for prefix, uri in _PREFIXES.items():
        ET.register_namespace(prefix, uri)
    kvm = plan.acceleration == "kvm"
    domain = Element("domain", type="kvm" if kvm else "qemu")
    for name, text in (("name", plan.name), ("uuid", plan.uuid), ("title", f"trialbed sandbox: {plan.name}")):
        SubElement(domain, name).text = text
    mark = SubElement(SubElement(domain, "metadata"), f"{{{MARK_NAMESPACE}}}guest")
    mark.set("may-power-cycle", "yes")
    for name in ("memory", "currentMemory"):
        SubElement(domain, name, unit="KiB").text = str(plan.memory // 1024)
    SubElement(domain, "vcpu", placement="static").text = "1"
    domain.append(_boot(plan))
    SubElement(SubElement(domain, "features"), "acpi")
    if kvm:
        SubElement(domain, "cpu", mode="host-passthrough")
    SubElement(domain, "clock", offset="utc")
    for event, action in (("poweroff", "destroy"), ("reboot", "restart"), ("crash", "destroy")):
        SubElement(domain, f"on_{event}").text = action
    domain.append(_devices(plan))
    commandline = SubElement(domain, f"{{{_QEMU_NAMESPACE}}}commandline")
    for value in ("-netdev", _NETWORK.format(address=LOOPBACK, port=plan.port), "-device", _CARD):
        SubElement(commandline, f"{{{_QEMU_NAMESPACE}}}arg", value=value)
    ET.indent(domain)
    return ET.tostring(domain, encoding="unicode") + "\n"


def _boot(plan: DomainPlan) -> Element:
    boot = Element("os")
    SubElement(boot, "type", arch="x86_64", machine="q35").text = "hvm"
    SubElement(boot, "kernel").text = str(plan.kernel)
    SubElement(boot, "initrd").text = str(plan.initrd)
    SubElement(boot, "cmdline").text = kernel_arguments(plan.name)
    return boot


def _devices(plan: DomainPlan) -> Element:
    devices = Element("devices")
    SubElement(devices, "emulator").text = plan.emulator
    SubElement(devices, "controller", type="usb", model="none")
    SubElement(devices, "memballoon", model="none")
    SubElement(devices, "panic", model="isa")
    random = SubElement(devices, "rng", model="virtio")
    SubElement(random, "backend", model="random").text = "/dev/urandom"
    for kind in ("serial", "console"):
        line = SubElement(devices, kind, type="file")
        SubElement(line, "source", path=str(plan.console))
        target = SubElement(line, "target", port="0")
        if kind == "console":
            target.set("type", "serial")
    return devices
