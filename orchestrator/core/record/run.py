"""The record of one run: what ``run.json`` holds, and a run as it is read back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from orchestrator.core.design.trials import Trial
from orchestrator.core.measure.results import Record
from orchestrator.core.record.journal import Look
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
    """The plan as resolved, defaults included, in the units of the package."""
    trials: tuple[PlannedTrial, ...]
    versions: dict[str, str]
    inputs_sha256: dict[str, str]


class Environment(Record):
    """The fingerprint of host and guest; ``None`` where a fact is unavailable."""

    schema_version: Literal[1] = SCHEMA_VERSION
    host: dict[str, str | None]
    guest: dict[str, str | None]


@dataclass(frozen=True)
class StoredRun:
    """A run as read from the store.

    Attributes:
        state: ``done``, ``interrupted`` (may be resumed) or ``running or crashed`` (its journal has no end).
        look: the last look at the evidence between blocks; ``None`` where the number of blocks was fixed.
    """

    record: RunRecord
    trials: tuple[TrialRecord, ...]
    state: str
    location: str
    look: Look | None = None

    @property
    def needed(self) -> tuple[PlannedTrial, ...]:
        """The planned trials less those that are no longer needed, since the blocks before them were enough."""
        if self.look is None or not self.look.enough:
            return self.record.trials
        last = self.look.blocks
        return tuple(trial for trial in self.record.trials if trial.block <= last)

    @property
    def standing(self) -> str:
        """The state in words: ``done, decided after 4 of at most 12 blocks``."""
        return f"{self.state}, {self.look.sentence}" if self.look is not None else self.state
