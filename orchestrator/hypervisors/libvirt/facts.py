"""What a domain's definition says, read from its XML; and what in it stands in the way of another shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from orchestrator.core.design.shape import Topology
from orchestrator.units import SIZE_UNITS, Bytes

#: libvirt writes sizes in KiB but takes others too (its format's scaled integers).
_UNITS = {
    "b": 1,
    "bytes": 1,
    **{unit[0].lower(): factor for unit, factor in SIZE_UNITS.items() if unit != "B"},
    **{unit.lower(): factor for unit, factor in SIZE_UNITS.items()},
    "kb": 10**3,
    "mb": 10**6,
    "gb": 10**9,
    "tb": 10**12,
}

#: QEMU is given whole MiB, and the definition of the running guest says so.
_MEBIBYTE = 2**20

#: What gives single vCPUs or parts of the memory a place of their own, so that another size cannot keep it: path of the
#: element, and what to call it.
_TIED_TO_A_SIZE = (
    ("cpu/numa/cell", "NUMA cells with vCPUs of their own (cpu/numa)"),
    ("devices/memory", "memory devices (devices/memory)"),
    ("maxMemory", "slots for memory devices (maxMemory)"),
    ("numatune/memnode", "memory bound cell by cell (numatune/memnode)"),
    ("cputune/vcpusched", "schedulers of single vCPUs (cputune/vcpusched)"),
    ("cputune/cachetune", "cache of single vCPUs (cputune/cachetune)"),
    ("cputune/memorytune", "memory bandwidth of single vCPUs (cputune/memorytune)"),
)


@dataclass(frozen=True)
class Facts:
    """A definition, as far as shapes are concerned.

    Attributes:
        kind: the domain's type: ``kvm``, ``qemu``, ``test``, ...
        vcpus: with which it boots.
        max_vcpus: that can be plugged in.
        memory: that it has once its balloon is inflated, in bytes.
        max_memory: with which it boots.
        topology: as defined; ``None`` where the hypervisor chooses.
        cpus: physical CPUs that some vCPU may run on; ``None`` for all.
        tuning: names of what it sets about CPU time: ``quota``, ``shares`` and so on.
    """

    name: str
    uuid: str
    kind: str
    vcpus: int
    max_vcpus: int
    memory: Bytes
    max_memory: Bytes
    topology: Topology | None
    cpus: frozenset[int] | None
    tuning: tuple[str, ...]
    emulator: str | None = None
    architecture: str | None = None
    machine: str | None = None


def parse(xml: str) -> ET.Element:
    """The root of a definition that libvirt wrote."""
    return ET.fromstring(xml)  # noqa: S314 - libvirt itself wrote it, without a DTD


def facts(xml: str) -> Facts:
    """Read a definition. Raises ValueError where it is none."""
    try:
        root = parse(xml)
    except ET.ParseError as error:
        raise ValueError(f"it is not XML: {error}") from error
    vcpu = root.find("vcpu")
    most = int(text_of(root, "vcpu") or 1)
    kind = root.find("os/type")
    return Facts(
        name=text_of(root, "name"),
        uuid=text_of(root, "uuid"),
        kind=root.get("type", ""),
        vcpus=int(vcpu.get("current", most)) if vcpu is not None else 1,
        max_vcpus=most,
        memory=size_of(root.find("memory") if (given := root.find("currentMemory")) is None else given),
        max_memory=size_of(root.find("memory")),
        topology=_topology(root.find("cpu/topology")),
        cpus=_allowed_cpus(root, most),
        tuning=tuple(child.tag for child in root.findall("cputune/*") if child.tag != "vcpupin"),
        emulator=text_of(root, "devices/emulator") or None,
        architecture=kind.get("arch") if kind is not None else None,
        machine=kind.get("machine") if kind is not None else None,
    )


def obstacle(xml: str) -> str | None:
    """What in a definition keeps it from having another size, in words; ``None`` where nothing does."""
    root = parse(xml)
    found = [words for path, words in _TIED_TO_A_SIZE if root.find(path) is not None]
    return " and ".join(found) or None


def same_machine(xml: str, other: str) -> bool:
    """Whether two definitions, one of which may be a running guest's, have the same size and tuning."""
    return _machine(parse(xml)) == _machine(parse(other))


def _machine(root: ET.Element) -> tuple[object, ...]:
    vcpu = root.find("vcpu")
    topology = root.find("cpu/topology")
    tuning = sorted(
        (child.tag, sorted(child.items()), (child.text or "").strip()) for child in root.findall("cputune/*")
    )
    return (
        (text_of(root, "vcpu"), vcpu.get("current") if vcpu is not None else None),
        -(-size_of(root.find("memory")) // _MEBIBYTE),
        _topology(topology),
        tuning,
    )


def pins(root: ET.Element) -> dict[int, str]:
    """The physical CPUs of each vCPU that has some of its own, as libvirt writes them: vCPU number to ``0-3,^2``."""
    return {int(pin.get("vcpu", -1)): pin.get("cpuset", "") for pin in root.findall("cputune/vcpupin")}


def read_cpus(cpuset: str) -> frozenset[int]:
    """Read libvirt's list of CPUs: ``0-3,^2,8`` is 0, 1, 3 and 8."""
    chosen: set[int] = set()
    for part in filter(None, cpuset.replace(" ", "").split(",")):
        first, _, last = part.removeprefix("^").partition("-")
        numbers = range(int(first), int(last or first) + 1)
        chosen = chosen.difference(numbers) if part.startswith("^") else chosen.union(numbers)
    return frozenset(chosen)


def write_cpus(cpus: Sequence[int] | frozenset[int]) -> str:
    """Write CPUs the way :func:`read_cpus` reads them."""
    return ",".join(map(str, sorted(cpus)))


def text_of(root: ET.Element, path: str) -> str:
    """Text of the first such element, without blanks around it; empty where there is none."""
    return (root.findtext(path) or "").strip()


def _allowed_cpus(root: ET.Element, vcpus: int) -> frozenset[int] | None:
    vcpu = root.find("vcpu")
    general = vcpu.get("cpuset") if vcpu is not None else None
    own = pins(root)
    sets = [own.get(number, general) for number in range(vcpus)]
    if any(cpuset is None for cpuset in sets):
        return None
    return frozenset().union(*(read_cpus(cpuset) for cpuset in sets if cpuset is not None))


def size_of(element: ET.Element | None) -> Bytes:
    """A size as libvirt writes it, in bytes; 0 where there is no such element."""
    if element is None:
        return 0
    return int(element.text or 0) * _UNITS[element.get("unit", "KiB").lower()]


def _topology(element: ET.Element | None) -> Topology | None:
    if element is None:
        return None
    counts = {name: int(element.get(name, 1)) for name in ("sockets", "dies", "clusters", "cores", "threads")}
    return Topology(
        sockets=counts["sockets"],
        cores=counts["dies"] * counts["clusters"] * counts["cores"],
        threads=counts["threads"],
    )
