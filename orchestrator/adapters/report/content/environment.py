"""Where a run was measured: facts of host, guest and hypervisor, and why the others are not known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from orchestrator.adapters.report.document.numbers import text
from orchestrator.adapters.report.document.parts import Block, Facts, Paragraph, Section, Table
from orchestrator.core.record.facts import FACTS, HYPERVISOR_FACTS, MACHINE_FACTS
from orchestrator.core.record.run import Environment, RunRecord

_NOT_KNOWN = "not known"


def environment_section(record: RunRecord, environment: Environment | None) -> Section:
    """All that is known, beside each other for host and guest."""
    title = "Where it was measured"
    if environment is None:
        why = "the readings were imported" if record.origin == "imported" else "no fingerprint was kept"
        return Section("environment", title, (Paragraph(f"Not known: {why}."),), summary=_NOT_KNOWN)
    blocks = [*_machines(environment), *_hypervisor(environment)]
    parts = tuple(_untold(environment))
    model = environment.host.get("cpu_model") or environment.guest.get("cpu_model") or ""
    return Section("environment", title, tuple(blocks), parts, summary=model)


def _machines(environment: Environment) -> Iterator[Block]:
    sides = {
        name: facts
        for name, facts in (("host", environment.host), ("guest", environment.guest))
        if any(value is not None for value in facts.values())
    }
    if not sides:
        yield Paragraph("Neither host nor guest told anything of itself.")
        return
    rows = tuple(
        (MACHINE_FACTS[key].name, *[facts.get(key) or _NOT_KNOWN for facts in sides.values()])
        for key in MACHINE_FACTS
        if any(facts.get(key) is not None for facts in sides.values())
    )
    yield Table(f"What {' and '.join(sides)} told", (text("fact"), *map(text, sides)), rows)


def _hypervisor(environment: Environment) -> Iterator[Block]:
    known = tuple(
        (fact.name, value)
        for key, fact in HYPERVISOR_FACTS.items()
        if (value := environment.hypervisor.get(key)) is not None
    )
    if known:
        yield Paragraph("The guest as its hypervisor defines it:")
        yield Facts(known)


def _untold(environment: Environment) -> Iterator[Section]:
    """Facts that are not there, by the reason: a login that failed is the reason of them all."""
    by_reason: dict[str, dict[str, list[str]]] = {}
    for section, reasons in environment.unavailable.items():
        for key, why in reasons.items():
            fact = FACTS[section].get(key)
            by_reason.setdefault(why, {}).setdefault(key if fact is None else fact.name, []).append(section)
    rows = tuple(
        (", ".join(names), ", ".join(where), why)
        for why, told in by_reason.items()
        for where, names in _alike(told).items()
    )
    if rows:
        columns = (text("fact"), text("of"), text("why it is not known"))
        table = Table("Facts that are not known, and why", columns, rows)
        yield Section("environment-unknown", "What is not known, and why", (table,), folded=True)


def _alike(told: Mapping[str, Sequence[str]]) -> dict[tuple[str, ...], list[str]]:
    """Facts that the same machines do not tell, together."""
    found: dict[tuple[str, ...], list[str]] = {}
    for name, where in told.items():
        found.setdefault(tuple(where), []).append(name)
    return found
