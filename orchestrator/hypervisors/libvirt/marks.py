"""Marks in a guest's own definition: that its owner allows experiments, and that it is in the shape of a run.

libvirt keeps one element of each namespace in a definition's metadata, so the two have one each.
"""

from __future__ import annotations

import shlex
from xml.etree import ElementTree as ET

from orchestrator.core.design.wording import shown
from orchestrator.errors import HostFault
from orchestrator.hypervisors.libvirt.facts import parse

NAMESPACE = "https://trialbed.example/guest/1"
PREFIX = "trialbed"
ELEMENT = '<guest may-power-cycle="yes"/>'
_SHAPED, _SHAPED_PREFIX = "https://trialbed.example/shape/1", "trialbed-shape"


def require_mark(xml: str, domain: str, uri: str) -> None:
    """Refuse a guest that is not marked.

    Args:
        xml: its definition.
        domain: its name on the host.
        uri: of the host.

    Raises:
        HostFault: with the command by which its owner would mark it.
    """
    element = parse(xml).find(f"metadata/{{{NAMESPACE}}}guest")
    answer = element.get("may-power-cycle") if element is not None else None
    if answer == "yes":
        return
    found = "carries no mark that allows it" if element is None else f"says may-power-cycle={shown(answer)}"
    raise HostFault(
        f"{domain} on {uri} may not be switched off for experiments: this host asks for a mark (require-mark), and the "
        f"guest's definition {found}; its owner can allow it: {marking_command(domain, uri)}"
    )


def marking_command(domain: str, uri: str) -> str:
    """The shell command that marks a guest."""
    return shlex.join(
        ["virsh", "-c", uri, "metadata", domain, NAMESPACE, "--key", PREFIX, "--set", ELEMENT, "--config"]
    )


def mark_shaped(root: ET.Element, shape: str) -> None:
    """Write into a definition that it is a run's, and of which shape; the saved one, put back, does not have it."""
    ET.register_namespace(_SHAPED_PREFIX, _SHAPED)
    metadata = root.find("metadata")
    if metadata is None:
        metadata = ET.SubElement(root, "metadata")
    for old in metadata.findall(f"{{{_SHAPED}}}shape"):
        metadata.remove(old)
    ET.SubElement(metadata, f"{{{_SHAPED}}}shape", {"name": shape})


def shaped_as(xml: str) -> str | None:
    """The shape that a run gave this definition; ``None`` for one that is its owner's."""
    element = parse(xml).find(f"metadata/{{{_SHAPED}}}shape")
    return None if element is None else element.get("name", "")
