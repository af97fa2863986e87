"""The record of one trial: what ``trial.json`` holds. Also the vocabulary of outcomes."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import Field

from orchestrator.core.measure.results import ClockOffset, Record, TrialSummary

SCHEMA_VERSION: Final = 1


class StageTime(Record):
    """How long a stage took, and how often it was tried."""

    stage: str
    seconds: float
    attempts: int


class TrialRecord(Record):
    """One finished trial, whatever its outcome."""

    schema_version: Literal[1] = SCHEMA_VERSION
    id: str
    number: int
    block: int
    shape: str
    workload: str
    threads: int
    outcome: Literal["measured", "unsteady", "failed"]
    failed_stage: str | None = None
    fault: Literal["host", "guest", "workload", "internal"] | None = None
    reason: str
    started_utc: str
    ended_utc: str
    seconds: float | None = None
    """How long it took, by a clock that is never set: the two times before tell what the wall clock showed."""
    launched_monotonic_s: float | None
    """Controller's monotonic time at launch: subtract it from ``time_s`` in the Parquet files."""
    stages: tuple[StageTime, ...]
    clocks: tuple[ClockOffset, ...]
    workload_sha256: dict[str, str]
    seen_inside: dict[str, str]
    """What the guest itself reported: online CPUs, memory, boot id, clock source."""
    summary: TrialSummary | None
    files: dict[str, str] = Field(default_factory=dict)
    """SHA-256 of each file beside this one."""
