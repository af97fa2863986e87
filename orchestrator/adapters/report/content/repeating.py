"""The plan as it was given, the versions and digests that a run stands on, and how to do it again."""

from __future__ import annotations

import shlex
from collections.abc import Iterator

from orchestrator.adapters.report.bundle_text import CAUTION, by_hand
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.numbers import text
from orchestrator.adapters.report.document.parts import Block, Facts, Paragraph, Section, Table, Verbatim
from orchestrator.adapters.report.run_text import asked
from orchestrator.core.record.run import RunRecord

_PLAN, _TABLE = "plan.yaml", "table.csv"


def plan_section(source: RunSource) -> Section:
    """What was asked, and the plan as it was given; a lab holds addresses and stays in the run's folder."""
    imported = source.run.record.origin == "imported"
    blocks: list[Block] = [Facts(tuple(asked(source.run).items()))]
    name = _TABLE if imported else _PLAN
    if (given := source.inputs.get(name)) is not None:
        what = "The table as it was given" if imported else "The plan as it was given"
        blocks.append(Verbatim(what, given.decode("utf-8", "replace"), folded=True))
    return Section("plan", "What was imported" if imported else "What was asked", tuple(blocks))


def versions_section(record: RunRecord) -> Section:
    """Versions of what measured, digests of what it was given."""
    blocks: list[Block] = [Facts(tuple(_versions(record)))]
    if record.inputs_sha256:
        rows = tuple(record.inputs_sha256.items())
        blocks.append(Table("What the run was given", (text("file"), text("SHA-256")), rows))
    return Section("versions", "Versions and digests", tuple(blocks), folded=True)


def _versions(record: RunRecord) -> Iterator[tuple[str, str]]:
    yield from record.versions.items()
    if record.origin == "measured":
        yield "driver", record.hypervisor
        yield "order", f"{record.order_rule}, seed {record.seed}"
    if record.repeats is not None:
        yield "repeats run", record.repeats.run
        yield "its bundle's SHA-256", record.repeats.bundle_sha256


def repeat_section(source: RunSource) -> Section:
    """The commands, and how it is done by hand."""
    record = source.run.record
    run_id = shlex.quote(record.id)
    if record.origin == "imported":
        lie = "Their table and logs lie" if len(record.inputs_sha256) > 1 else "Their table lies"
        said = f"The readings cannot be taken again from here. {lie} with the run; to pass them on:"
        return Section(
            "repeat", "How to pass it on", (Paragraph(said), Verbatim("Commands", f"trialbed pack {run_id}"))
        )
    again = f"trialbed check {_PLAN}\ntrialbed run {_PLAN}"
    bundle = f"trialbed pack {run_id}\ntrialbed repeat {run_id}.zip --lab YOUR-LAB.yaml"
    return Section(
        "repeat",
        "How to repeat it",
        (
            Verbatim(f"Where it was measured, with the plan above as {_PLAN} and the files that it names", again),
            Verbatim("Anywhere, from a bundle with all it takes, in the same order (once the run has ended)", bundle),
            Paragraph(CAUTION),
            Paragraph(by_hand(record, "By hand, for each trial above, in this order")),
        ),
    )
