"""What a host can give; what it cannot is refused before anything is changed."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit
from xml.etree import ElementTree as ET

from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import listed
from orchestrator.errors import StageError
from orchestrator.hypervisors.libvirt.connection import Connection
from orchestrator.hypervisors.libvirt.facts import Facts, parse
from orchestrator.units import Bytes, format_size


class Host:
    """The host behind a connection. Errors are StageErrors, translated."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def cpus(self) -> frozenset[int]:
        """Numbers of the physical CPUs that are online."""
        _total, online, _count = self._connection.call("ask for the host's CPUs", lambda opened: opened.getCPUMap())
        return frozenset(cpu for cpu, is_online in enumerate(online) if is_online)

    def memory(self) -> Bytes:
        """Memory of the host; known to the MiB."""
        mebibytes = self._connection.call("ask for the host's memory", lambda opened: int(opened.getInfo()[1]))
        return mebibytes * 2**20

    def most_vcpus(self, guest: Facts) -> int | None:
        """How many vCPUs a guest of this kind and machine type can have; ``None`` where the host does not say."""
        try:
            return self._connection.call("ask for the host's limits", lambda opened: _domain_limit(opened, guest))
        except StageError as error:
            if error.may_pass:
                raise
        # Asked more plainly, drivers without domain capabilities answer too.
        try:
            return self._connection.call("ask for the host's limits", lambda opened: _plain_limit(opened, guest))
        except StageError as error:
            if error.may_pass:
                raise
            return None

    def refusal(self, shape: Shape, guest: Facts) -> str | None:
        """Why the host cannot give a shape: the feature or figure, and what there is instead; ``None`` if it can."""
        asks = f"shape {shape.name} asks for"
        most = self.most_vcpus(guest)
        if most is not None and shape.vcpus > most:
            return f"{asks} {shape.vcpus} vCPUs; the host gives such a guest {most} at most"
        if shape.memory > (memory := self.memory()):
            return f"{asks} {format_size(shape.memory)}; the host has {format_size(memory)}"
        cpus = self.cpus()
        if missing := sorted(set(shape.pin or ()) - cpus):
            return f"{asks} pin to CPU {listed(missing)}; online on the host are {listed(sorted(cpus))}"
        if (tuned := sorted(shape.extras & {"quota", "shares"})) and self._is_session(guest):
            return (
                f"{asks} {' and '.join(tuned)}, for which the host's control groups are needed, and a session "
                "connection has none; drop it, or define the guest on a system connection (qemu:///system)"
            )
        return None

    def _is_session(self, guest: Facts) -> bool:
        uri = self._connection.call("ask for the connection's uri", lambda opened: str(opened.getURI()))
        return guest.kind in {"kvm", "qemu"} and urlsplit(uri).path == "/session"


def _domain_limit(opened: Any, guest: Facts) -> int | None:
    capabilities: ET.Element = parse(
        opened.getDomainCapabilities(guest.emulator, guest.architecture, guest.machine, guest.kind)
    )
    vcpu = capabilities.find("vcpu")
    return int(vcpu.get("max", 0)) or None if vcpu is not None else None


def _plain_limit(opened: Any, guest: Facts) -> int | None:
    return int(opened.getMaxVcpus(guest.kind)) or None
