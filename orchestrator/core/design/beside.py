"""Neighbours against plan and lab: what cannot run where it is asked for, and what should be known about it.

Findings and remarks as in :mod:`~orchestrator.core.design.fit`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, TypeAlias

from orchestrator.core.design.declared import Finding
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.wording import listed, unknown

HostLogin: TypeAlias = Literal["own", "lab", "none"]
"""How a driver's host is logged in to: the driver brings a login; the lab gives one, where it does, under the host's
``ssh``; there is none, since the host is a model."""


def neighbour_misfits(plan: Plan, lab: Lab, host_login: HostLogin) -> Iterator[Finding]:
    """What the plan's neighbours ask for that the lab does not have; the plan's guest is one of the lab's."""
    host = lab.guests[plan.guest].host
    driver = lab.hosts[host].hypervisor
    if host_login == "none" and plan.neighbours:
        yield Finding(
            ("neighbours",),
            f"the hypervisor driver {driver} is a model without a host that a load could run on; "
            "its neighbours are declared in the lab, under with: neighbours",
        )
        return
    for position, neighbour in enumerate(plan.neighbours):
        at = ("neighbours", position)
        if neighbour.guest is not None:
            yield from (Finding((*at, "guest"), message) for message in _guest_misfits(plan, lab, neighbour.guest))
        elif host_login == "lab" and lab.hosts[host].ssh is None:
            yield Finding(
                at,
                f"neighbour {neighbour.name} runs on host {host}, and the lab gives no login there; "
                f"add ssh under hosts: {host}, or name a guest for it",
            )


def _guest_misfits(plan: Plan, lab: Lab, guest: str) -> Iterator[str]:
    host = lab.guests[plan.guest].host
    others = [name for name, known in lab.guests.items() if known.host == host and name != plan.guest]
    if guest == plan.guest:
        yield f"{guest} is the guest that is measured; a neighbour is another guest of host {host} ({_named(others)})"
    elif guest not in lab.guests:
        yield f"{unknown('guest', guest, others)}; name one of the lab's, or add it there"
    elif lab.guests[guest].host != host:
        yield (
            f"{guest} runs on host {lab.guests[guest].host} and {plan.guest} on host {host}, so it is no neighbour; "
            f"name another guest of host {host} ({_named(others)})"
        )


def _named(others: list[str]) -> str:
    return listed(others) if others else "the lab has none"


def neighbour_remarks(plan: Plan) -> Iterator[str]:
    """What a practitioner would want to know about the plan's neighbours."""
    if plan.neighbours:
        yield "measured beside neighbours, the answer is for a host that is as busy, and not for a quiet one"
    pinned = {cpu for shape in plan.shapes for cpu in shape.pin or ()}
    all_pinned = all(shape.pin is not None for shape in plan.shapes)
    for neighbour in plan.neighbours:
        if any("{threads}" in word or "{vcpus}" in word for word in neighbour.command or ()):
            yield f"neighbour {neighbour.name}: {{...}} is passed on as it stands: it is the same in every cell"
        if neighbour.guest is None and neighbour.pin is not None and all_pinned and pinned.isdisjoint(neighbour.pin):
            yield (
                f"neighbour {neighbour.name} is pinned to CPUs that no shape runs on: "
                "they compete for caches and memory, not for CPU time"
            )
