"""The saved definition of a guest with another shape, as XML for libvirt to define.

Every trial's definition is made from the saved one, so that it never depends on the trial before. It is used for trials
only: a guest is put back by its saved XML itself, byte for byte. What the saved definition says about things that the
shape leaves open stays, its owner's CPU quota, shares and pins among them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from io import StringIO
from xml.etree import ElementTree as ET

from orchestrator.core.design.shape import Shape
from orchestrator.hypervisors.libvirt.facts import facts, parse, pins, read_cpus, size_of, text_of, write_cpus
from orchestrator.hypervisors.libvirt.marks import mark_shaped
from orchestrator.units import Fraction, format_size

_KIB = 1024
#: libvirt's limits, in microseconds: a period lies between 1 ms and 1 s, a quota is at least 1 ms.
_PERIODS_US = (100_000, 1_000_000)
_LEAST_QUOTA_US = 1_000
#: In what order libvirt's schema has what we add. It takes any order; people who look at it do not.
_AFTER = {
    "currentMemory": ("memory",),
    "cputune": ("iothreadids", "iothreads", "vcpus", "vcpu"),
    "cpu": ("features", "os"),
}
#: A guest whose kernel has crashed stays off, so that a trial never goes on in one that came up anew.
_RESTARTS = {"restart": "destroy", "rename-restart": "destroy", "coredump-restart": "coredump-destroy"}
#: Prefixes that ElementTree makes up itself and lets nobody register.
_MADE_UP = re.compile(r"ns\d+")


def unwritable(xml: str, shape: Shape) -> str | None:
    """Why a definition cannot be given a shape, in words; ``None`` where it can."""
    if shape.memory % _KIB:
        return f"shape {shape.name} asks for {shape.memory} bytes of memory; libvirt defines whole KiB"
    limit = size_of(parse(xml).find("memtune/hard_limit"))
    if 0 < limit < shape.memory:
        return (
            f"shape {shape.name} asks for {format_size(shape.memory)}, and the guest's own definition lets it have "
            f"{format_size(limit)} of the host's memory at most (memtune/hard_limit): the host would kill it"
        )
    if shape.quota is not None and _quota(shape.quota)[1] < _LEAST_QUOTA_US:
        return (
            f"shape {shape.name} asks for a quota of {shape.quota * 100:g} % of one CPU, which is less than libvirt "
            "can set; ask for 0.1 % at least"
        )
    return None


def reshaped(xml: str, shape: Shape, usual_shares: int) -> str:
    """The definition with a shape that can be written into it.

    Args:
        xml: the saved definition.
        shape: with ``reshape: live`` it boots with one vCPU, and the others can be plugged in.
        usual_shares: what the host's kernel calls the share of a guest that sets none.
    """
    _keep_prefixes(xml)
    root = parse(xml)
    _set_vcpus(root, shape)
    _set_memory(root, shape)
    _set_topology(root, shape)
    _set_cpu_time(root, shape, usual_shares)
    _set_pins(root, shape, read_before=facts(xml).max_vcpus)
    _stay_off(root)
    mark_shaped(root, shape.name)
    return ET.tostring(root, encoding="unicode")


def difference(xml: str, shape: Shape, usual_shares: int) -> str | None:
    """What a definition says otherwise than the shape asks, in words; ``None`` where it is as asked."""
    found, root = facts(xml), parse(xml)
    cold = shape.reshape == "cold"
    asked: list[tuple[str, object, object]] = [
        ("vCPUs", shape.vcpus if cold else 1, found.vcpus),
        ("vCPUs at most", shape.vcpus, found.max_vcpus),
        ("bytes of memory", shape.memory, found.memory),
        ("bytes of memory at most", shape.memory, found.max_memory),
    ]
    if shape.topology is not None:
        asked.append(("topology", shape.topology, found.topology))
    if shape.quota is not None:
        period_us, quota_us = _quota(shape.quota)
        asked.append(("CPU quota", str(quota_us), text_of(root, "cputune/global_quota")))
        asked.append(("CPU period", str(period_us), text_of(root, "cputune/global_period")))
    if shape.shares is not None:
        asked.append(("CPU shares", str(_scaled(shape.shares, usual_shares)), text_of(root, "cputune/shares")))
    if shape.pin is not None:
        kept = [write_cpus(read_cpus(cpus)) for _vcpu, cpus in sorted(pins(root).items())]
        asked.append(("pins", [write_cpus(shape.pin)] * shape.vcpus, kept))
    return next(
        (f"{what}: {got or 'nothing'} where {wanted} was asked" for what, wanted, got in asked if wanted != got), None
    )


# ------------------------------------------------------------------------------------------------------ the elements


def _set_vcpus(root: ET.Element, shape: Shape) -> None:
    """The number of vCPUs, now and at most; a list of single vCPUs goes, since it is of another length."""
    vcpu = _child(root, "vcpu")
    vcpu.text = str(shape.vcpus)
    vcpu.attrib.pop("current", None)
    if shape.reshape == "live" and shape.vcpus > 1:
        vcpu.set("current", "1")
    _remove(root, "vcpus")


def _set_memory(root: ET.Element, shape: Shape) -> None:
    for name in ("memory", "currentMemory"):
        element = _child(root, name)
        element.text, element.attrib["unit"] = str(shape.memory // _KIB), "KiB"


def _set_topology(root: ET.Element, shape: Shape) -> None:
    """The shape's topology; else the guest's own with other cores, where sockets and threads divide the vCPUs.

    Where they do not, it goes, and the hypervisor chooses as for a guest that has none.
    """
    element = root.find("cpu/topology")
    if shape.topology is not None:
        if element is None:
            element = _child(_child(root, "cpu"), "topology")
        element.attrib.clear()
        for name in ("sockets", "cores", "threads"):
            element.set(name, str(getattr(shape.topology, name)))
    elif element is not None:
        beside = 1
        for name in ("sockets", "dies", "clusters", "threads"):
            beside *= int(element.get(name, 1))
        if shape.vcpus % beside == 0:
            element.set("cores", str(shape.vcpus // beside))
        else:
            _drop_topology(root, element)


def _drop_topology(root: ET.Element, element: ET.Element) -> None:
    cpu = root.find("cpu")
    if cpu is not None:
        cpu.remove(element)
        if not len(cpu) and not cpu.attrib:
            root.remove(cpu)


def _set_cpu_time(root: ET.Element, shape: Shape, usual_shares: int) -> None:
    """Quota for the whole guest, and its weight; the owner's own limits on the vCPUs go where the shape sets one."""
    if shape.quota is not None:
        tune = _child(root, "cputune")
        for name in ("period", "quota"):
            _remove(tune, name)
        for name, value in zip(("global_period", "global_quota"), _quota(shape.quota), strict=True):
            _child(tune, name).text = str(value)
    if shape.shares is not None:
        _child(_child(root, "cputune"), "shares").text = str(_scaled(shape.shares, usual_shares))


def _set_pins(root: ET.Element, shape: Shape, read_before: int) -> None:
    """Where each vCPU may run.

    Without ``pin``, vCPUs keep the pins that the owner gave them; those that the saved definition does not have may run
    wherever one of the others may, if all of these were pinned.
    """
    saved = pins(root)
    if shape.pin is not None:
        wanted = dict.fromkeys(range(shape.vcpus), write_cpus(shape.pin))
    elif saved:
        wanted = {vcpu: cpus for vcpu, cpus in saved.items() if vcpu < shape.vcpus}
        if saved.keys() >= set(range(read_before)):
            anywhere = write_cpus(frozenset().union(*map(read_cpus, saved.values())))
            wanted |= dict.fromkeys(range(read_before, shape.vcpus), anywhere)
    else:
        return
    tune = _child(root, "cputune")
    _remove(tune, "vcpupin")
    for vcpu, cpus in sorted(wanted.items()):
        ET.SubElement(tune, "vcpupin", {"vcpu": str(vcpu), "cpuset": cpus})


def _stay_off(root: ET.Element) -> None:
    """A guest that was shut down or has crashed stays off, whatever its owner wants at other times."""
    off = root.find("on_poweroff")
    if off is not None:
        off.text = "destroy"
    crash = root.find("on_crash")
    if crash is not None:
        crash.text = _RESTARTS.get((crash.text or "").strip(), crash.text)


# ---------------------------------------------------------------------------------------------------------- quantities


def _quota(quota: Fraction) -> tuple[int, int]:
    """Period and quota in microseconds: the shortest usual period in which the quota is long enough, or the longest."""
    choices = [(period_us, round(quota * period_us)) for period_us in _PERIODS_US]
    return next((choice for choice in choices if choice[1] >= _LEAST_QUOTA_US), choices[-1])


def _scaled(shares: int, usual_shares: int) -> int:
    return round(shares * usual_shares / 100)


# ---------------------------------------------------------------------------------------------------------------- XML


def _keep_prefixes(xml: str) -> None:
    """Let namespaces keep the prefixes they have, since people read them: ``qemu:``, ``libosinfo:``, our own."""
    for prefix, uri in _namespaces(xml):
        if prefix and not _MADE_UP.fullmatch(prefix):
            ET.register_namespace(prefix, uri)


def _namespaces(xml: str) -> Iterator[tuple[str, str]]:
    for _event, found in ET.iterparse(StringIO(xml), events=("start-ns",)):  # noqa: S314 - libvirt itself wrote it, without a DTD
        yield found


def _child(parent: ET.Element, name: str) -> ET.Element:
    """The first such child, made where there is none."""
    found = parent.find(name)
    if found is None:
        found = ET.Element(name)
        tags = [child.tag for child in parent]
        place = next((tags.index(before) + 1 for before in _AFTER.get(name, ()) if before in tags), len(tags))
        parent.insert(place, found)
    return found


def _remove(parent: ET.Element, name: str) -> None:
    for child in parent.findall(name):
        parent.remove(child)
