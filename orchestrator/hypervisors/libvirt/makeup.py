"""What a guest is made of beside its size, told from its definitions: the keys of the table of hypervisor facts.

Elements and attributes are those of libvirt's domain XML format. The running definition is preferred where there is
one, since the hypervisor has filled in there what the owner left open. Paths, addresses and names of networks are left
out: they do not change what a guest can do, and are nobody else's business.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree as ET

from orchestrator.hypervisors.libvirt.facts import facts, parse, text_of, write_cpus

_LEFT_OPEN = "left to the hypervisor"
_ACCELERATION = {"qemu": "none: software emulation"}
_DISKS = {"disk", "lun"}
#: Attributes of a disk's driver that name no place, in the order in which they are told.
_OF_A_DISK = ("cache", "io", "discard", "detect_zeroes", "queues", "iothread")
_POLICIES = {"require": "+", "force": "+", "disable": "-", "forbid": "-", "optional": "?"}
#: Told of by the lists beside them.
_NOT_TUNING = {"vcpupin"}


def makeup(xml: str, saved_xml: str) -> dict[str, str | None]:
    """Facts of a guest's definition that no shape sets.

    Args:
        xml: the definition now: of the running guest, if it runs.
        saved_xml: as its owner left it.
    """
    root = parse(xml)
    kind = root.get("type", "")
    machine = root.find("os/type")
    return {
        "acceleration": _ACCELERATION.get(kind, kind) or None,
        "machine_type": _words([machine.get("machine"), machine.get("arch")]) if machine is not None else None,
        "cpu_mode": _cpu(root.find("cpu")),
        "features": ", ".join(_features(root.find("features"))) or "none",
        "timers": _timers(root.find("clock")),
        "boot_firmware": _firmware(root),
        "disk_drivers": "; ".join(_disk(disk) for disk in root.findall("devices/disk") if _is_disk(disk)) or "none",
        "network_drivers": "; ".join(_interface(one) for one in root.findall("devices/interface")) or "none",
        "ballooning": _balloon(root.find("devices/memballoon")),
        "memory_backing": ", ".join(_backing(root)) or "ordinary",
        "cpu_tuning": _tuning(saved_xml),
    }


def _words(parts: Iterable[str | None], between: str = " ") -> str:
    return between.join(part for part in parts if part)


def _with(element: ET.Element, names: Iterable[str]) -> list[str]:
    """``cache none`` for each of these attributes that is set."""
    return [f"{name.replace('_', ' ')} {value}" for name in names if (value := element.get(name))]


def _cpu(cpu: ET.Element | None) -> str:
    if cpu is None:
        return _LEFT_OPEN
    mode = cpu.get("mode", "custom")
    model = text_of(cpu, "model")
    parts = [f"{mode} {model}".strip() if model else mode, *_with(cpu, ("match", "migratable"))]
    parts += sorted(
        f"{_POLICIES.get(feature.get('policy', 'require'), '+')}{feature.get('name')}"
        for feature in cpu.findall("feature")
    )
    if (cache := cpu.find("cache")) is not None:
        parts.append(f"cache {cache.get('mode')}")
    return ", ".join(parts)


def _features(features: ET.Element | None) -> list[str]:
    """``acpi``, ``hyperv relaxed``: those that are on."""
    found = []
    for feature in features if features is not None else ():
        if len(feature):
            found += [f"{feature.tag} {part.tag}" for part in feature if part.get("state") != "off"]
        elif feature.get("state", "on") == "on":
            found.append(_words([feature.tag, *feature.attrib.values()]) if feature.attrib else feature.tag)
    return found


def _timers(clock: ET.Element | None) -> str:
    if clock is None:
        return _LEFT_OPEN
    parts = [f"offset {clock.get('offset')}"]
    for timer in clock.findall("timer"):
        absent = "absent" if timer.get("present") == "no" else ""
        how = _with(timer, ("tickpolicy", "track", "mode", "frequency"))
        parts.append(_words([timer.get("name"), absent, *how]))
    return ", ".join(parts)


def _firmware(root: ET.Element) -> str:
    loader = root.find("os/loader")
    if loader is not None:
        file = (loader.text or "").rpartition("/")[2]
        return _words([loader.get("type"), file, "secure boot" if loader.get("secure") == "yes" else ""])
    system = root.find("os")
    named = system.get("firmware") if system is not None else None
    kernel = "a kernel of the host's" if root.find("os/kernel") is not None else ""
    return named or kernel or _LEFT_OPEN


def _is_disk(disk: ET.Element) -> bool:
    return disk.get("device", "disk") in _DISKS


def _disk(disk: ET.Element) -> str:
    """``vda: virtio, qcow2, file, cache none, io native``."""
    target, driver = disk.find("target"), disk.find("driver")
    parts: list[str | None] = [
        target.get("bus") if target is not None else None,
        driver.get("type") if driver is not None else None,
        disk.get("type"),
        *(_with(driver, _OF_A_DISK) if driver is not None else []),
        "limited" if disk.find("iotune") is not None else None,
    ]
    name = target.get("dev", "disk") if target is not None else "disk"
    return f"{name}: {_words(parts, ', ')}"


def _interface(interface: ET.Element) -> str:
    """``virtio on a network, driver vhost, queues 4``."""
    model, driver = interface.find("model"), interface.find("driver")
    named = (model.get("type") if model is not None else None) or f"model {_LEFT_OPEN}"
    limited = interface.find("bandwidth") is not None
    more = _with(driver, ("name", "queues")) if driver is not None else []
    return _words([f"{named} on {interface.get('type')}", *more, "limited" if limited else None], ", ")


def _balloon(balloon: ET.Element | None) -> str:
    if balloon is None:
        return _LEFT_OPEN
    model = balloon.get("model", _LEFT_OPEN)
    return _words([model, *_with(balloon, ("autodeflate", "freePageReporting"))], ", ")


def _backing(root: ET.Element) -> list[str]:
    parts = []
    for part in root.findall("memoryBacking/*"):
        if part.tag == "hugepages":
            sizes = [f"{page.get('size')} {page.get('unit', 'KiB')}" for page in part.findall("page")]
            parts.append(_words(["huge pages", " and ".join(sizes)]))
        elif part.tag == "nosharepages":
            parts.append("never merged")
        else:
            parts.append(_words([part.tag, *part.attrib.values()]))
    if (memory := root.find("numatune/memory")) is not None:
        parts.append(_words(["NUMA", memory.get("mode"), memory.get("nodeset"), memory.get("placement")]))
    return parts


def _tuning(saved_xml: str) -> str:
    """What the owner set of ``cputune``, and where the vCPUs may run."""
    found = facts(saved_xml)
    root = parse(saved_xml)
    parts = [
        _words([child.tag, (child.text or "").strip(), *_with(child, child.attrib)])
        for child in root.findall("cputune/*")
        if child.tag not in _NOT_TUNING
    ]
    if found.cpus is not None:
        parts.append(f"vCPUs on CPUs {write_cpus(found.cpus)}")
    if (threads := text_of(root, "iothreads")) not in {"", "0"}:
        parts.append(f"iothreads {threads}")
    return ", ".join(parts) or "none"
