"""The record of one run: what ``run.json`` holds, and a run as it is read back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.trial import SCHEMA_VERSION, TrialRecord


class PlannedTrial(Record):
    """One line of the order that was decided before the run began."""

    id: str
    number: int
    block: int
    shape: str
    workload: str
    threads: int


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
    """

    record: RunRecord
    trials: tuple[TrialRecord, ...]
    state: str
    location: str
