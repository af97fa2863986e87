"""The mark by which a guest's owner allows experiments, in the guest's own definition."""

from __future__ import annotations

import shlex

from orchestrator.core.design.wording import shown
from orchestrator.errors import HostFault
from orchestrator.hypervisors.libvirt.facts import parse

NAMESPACE = "https://trialbed.example/guest/1"
PREFIX = "trialbed"
ELEMENT = "<guest may-power-cycle='yes'/>"


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
