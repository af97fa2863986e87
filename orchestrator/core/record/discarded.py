"""The record of what a trial left that does not count: what ``discarded.json`` holds."""

from __future__ import annotations

from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.trial import SCHEMA_VERSION

CUT_SHORT = "the run was cut short in the middle of it"


class Discarded(Record):
    """A trial, or an earlier result of one, that was put apart."""

    schema_version: Literal[1] = SCHEMA_VERSION
    trial: str
    reason: str
    last_written_utc: str = ""
    """When the last of it was written; when it was put apart is told by the journal."""
    folder: str = ""
    """Where it lies in the run's folder."""
