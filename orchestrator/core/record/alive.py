"""The sign of life of a run that goes on: what ``alive.json`` holds, replaced every few seconds while it does."""

from __future__ import annotations

from typing import Final, Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.trial import SCHEMA_VERSION
from orchestrator.units import Seconds

#: A process that is heard of every two seconds and was not for so long has ended, or its machine stands still.
HEARD_OF_WITHIN_S: Final[Seconds] = 30.0
#: Readings that it keeps of the trial in hand, enough to show its course on a line.
RECENT: Final = 40


class Alive(Record):
    """What the process that runs a run last said of itself."""

    schema_version: Literal[1] = SCHEMA_VERSION
    time_utc: str
    """When it said so."""
    pid: int
    machine: str
    """Its host's name."""
    boot_id: str | None = None
    """Which start of that machine it lives in; ``None`` where the machine does not tell."""
    trial: str | None = None
    """The trial in hand."""
    stage: str | None = None
    """The stage in hand, of the trial or of the run."""
    stage_since_utc: str | None = None
    rate_per_s: float | None = None
    """Throughput as last read, in operations per second."""
    recent: tuple[tuple[float, bool], ...] = ()
    """The last readings of the trial in hand, the oldest first: operations per second, and whether it was steady."""
    said: str = ""
    """What it waits for or does, in words."""


def same_machine(alive: Alive, machine: str, boot_id: str | None) -> bool:
    """Whether a sign of life is of a process on this machine, since its last start: its lock then tells more surely."""
    return alive.machine == machine and alive.boot_id is not None and alive.boot_id == boot_id
