"""What a host can give; what it cannot is refused before anything is changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar
from urllib.parse import urlsplit
from xml.etree import ElementTree as ET

from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import listed
from orchestrator.errors import StageError
from orchestrator.hypervisors.libvirt.connection import Connection
from orchestrator.hypervisors.libvirt.facts import Facts, parse
from orchestrator.units import Bytes, format_size

T = TypeVar("T")


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

    def versions(self) -> dict[str, str | None]:
        """What runs the guests there, and the library that manages them, by their keys in the table of facts."""
        hypervisor = self._asked("ask for the hypervisor's version", _hypervisor)
        library = self._asked("ask for libvirt's version", lambda opened: f"libvirt {_version(opened.getLibVersion())}")
        return {"hypervisor_version": hypervisor, "manager_version": library}

    def running_guests(self) -> int | None:
        """How many guests run there, as far as the connection can see; ``None`` where it does not count them."""
        return self._asked("count the host's guests", lambda opened: int(opened.numOfDomains()))

    def _asked(self, asked: str, action: Callable[[Any], T]) -> T | None:
        """``None`` where there is no such answer; a host that does not answer at all is an error."""
        try:
            return self._connection.call(asked, action)
        except StageError as error:
            if error.may_pass:
                raise
            return None

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


def _hypervisor(opened: Any) -> str:
    return f"{opened.getType()} {_version(opened.getVersion())}"


def _version(number: int) -> str:
    """A version as libvirt writes it: ``1000000 * major + 1000 * minor + release``."""
    return f"{number // 1_000_000}.{number // 1000 % 1000}.{number % 1000}"


def _domain_limit(opened: Any, guest: Facts) -> int | None:
    capabilities: ET.Element = parse(
        opened.getDomainCapabilities(guest.emulator, guest.architecture, guest.machine, guest.kind)
    )
    vcpu = capabilities.find("vcpu")
    return int(vcpu.get("max", 0)) or None if vcpu is not None else None


def _plain_limit(opened: Any, guest: Facts) -> int | None:
    return int(opened.getMaxVcpus(guest.kind)) or None
