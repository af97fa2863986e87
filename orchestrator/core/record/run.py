"""The record of one run: what ``run.json`` holds, and a run as it is read back."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field

from orchestrator.core.design.trials import Trial
from orchestrator.core.measure.results import Record
from orchestrator.core.record.discarded import Discarded
from orchestrator.core.record.journal import Look, NotBack, Progress
from orchestrator.core.record.stored_plan import StoredPlan
from orchestrator.core.record.trial import SCHEMA_VERSION, TrialRecord


class PlannedTrial(Record):
    """One line of the order that was decided before the run began."""

    id: str
    number: int
    block: int
    shape: str
    workload: str
    threads: int


def planned(trials: Iterable[Trial]) -> tuple[PlannedTrial, ...]:
    """The order as it is kept."""
    return tuple(
        PlannedTrial(
            id=trial.id,
            number=trial.number,
            block=trial.block,
            shape=trial.cell.shape.name,
            workload=trial.cell.workload.name,
            threads=trial.cell.threads,
        )
        for trial in trials
    )


class Repeats(Record):
    """The original of a run that repeats another, and the bundle that it came in."""

    run: str
    bundle_sha256: str


class RunRecord(Record):
    """What was decided before the first trial."""

    schema_version: Literal[1] = SCHEMA_VERSION
    id: str
    title: str
    started_utc: str
    guest: str
    guest_kind: str
    """What the driver calls its guests: ``virtual machine``, ``process guest, not a VM``, ``simulated guest``."""
    hypervisor: str
    order_rule: str
    seed: int
    plan: dict[str, Any]
    """The plan as resolved, defaults included, in the units of the package; :attr:`declared` is how it is read."""
    trials: tuple[PlannedTrial, ...]
    versions: dict[str, str]
    inputs_sha256: dict[str, str]
    origin: Literal["measured", "imported"] = "measured"
    """``imported``: made of readings that somebody else took."""
    repeats: Repeats | None = None
    """The run that this one repeats, from a bundle."""

    @property
    def declared(self) -> StoredPlan:
        """What its plan says."""
        return StoredPlan(self.plan)

    @property
    def in_blocks(self) -> bool:
        """Whether its trials were taken in blocks: imported readings need not be, and are numbered within each cell."""
        return self.origin == "measured" or self.declared.has_blocks


class Environment(Record):
    """The fingerprint of host and guest, and of the guest as its hypervisor defines it.

    A fact that is not available is ``None``; ``unavailable`` says why, by section and fact.
    """

    schema_version: Literal[1] = SCHEMA_VERSION
    host: dict[str, str | None]
    guest: dict[str, str | None]
    hypervisor: dict[str, str | None] = Field(default_factory=dict)
    unavailable: dict[Literal["host", "guest", "hypervisor"], dict[str, str]] = Field(default_factory=dict)


@dataclass(frozen=True)
class StoredRun:
    """A run as read from the store.

    Attributes:
        state: ``done``; ``interrupted``, ``out of time`` or ``given up`` (each may be resumed); or, where its journal
            has no end, ``running`` or ``crashed``. A store that cannot tell which says ``running or crashed``.
        look: the last look at the evidence between blocks; ``None`` where the number of blocks was fixed.
        why: what ended the run before its last trial, in words; empty where nothing did.
        lost: trials that ended and cannot be read, in their planned order; ``resume`` runs them again.
        heard_utc: the last sign of life of a run whose journal has no end; empty where there is none.
        discarded: what was put apart since it does not count; a listing leaves it out.
        not_back: guests that could not be put back.
        accepted: what had changed when it was resumed, and was accepted, a sentence each.
        began_as: its id when it began, which its leases have; empty where its folder has not been renamed since.
    """

    record: RunRecord
    trials: tuple[TrialRecord, ...]
    state: str
    location: str
    look: Look | None = None
    why: str = ""
    lost: tuple[str, ...] = ()
    heard_utc: str = ""
    discarded: tuple[Discarded, ...] = ()
    not_back: tuple[NotBack, ...] = ()
    accepted: tuple[str, ...] = ()
    began_as: str = ""

    @property
    def needed(self) -> tuple[PlannedTrial, ...]:
        """The planned trials less those that are no longer needed, since the blocks before them were enough."""
        return needed(self.record, self.look)

    @property
    def complete(self) -> bool:
        """Whether nothing is left to be run."""
        return self.state == "done" and not self.lost

    @property
    def standing(self) -> str:
        """The state in words: ``done, decided after 4 of at most 12 blocks``."""
        parts = [self.state]
        if self.state == "crashed" and self.heard_utc:
            parts.append(f"last sign of life {self.heard_utc[:19].replace('T', ' ')} UTC")
        if self.lost:
            parts.append(f"{len(self.lost)} {'trial' if len(self.lost) == 1 else 'trials'} lost")
        if self.look is not None:
            parts.append(self.look.sentence)
        if self.why:
            parts.append(self.why)
        return ", ".join(parts)


def needed(record: RunRecord, look: Look | None) -> tuple[PlannedTrial, ...]:
    """The planned trials less those that a look at the evidence made needless."""
    if look is None or not look.enough:
        return record.trials
    return tuple(trial for trial in record.trials if trial.block <= look.blocks)


def lost(record: RunRecord, kept: Collection[str], where: Progress) -> tuple[str, ...]:
    """Trials that ended, as far as the journal tells, and are not there any more.

    Args:
        record: the run.
        kept: ids of the trials that can be read.
        where: what its journal says, or the end of it; a run that is done has run all the blocks that it came to.
    """
    ended = set(where.ended)
    if where.state == "done":
        reached = max((trial.block for trial in record.trials if trial.id in kept), default=0)
        ended |= {trial.id for trial in needed(record, where.look) if trial.block <= reached}
    return tuple(trial.id for trial in record.trials if trial.id in ended and trial.id not in kept)
