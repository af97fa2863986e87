"""A baseline: runs under a name, to compare later ones with."""

from __future__ import annotations

from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.trial import SCHEMA_VERSION


class BaselineRun(Record):
    """One run of a baseline, and the digest of its seal (``SHA256SUMS``) when it was named."""

    run: str
    sums_sha256: str


class Baseline(Record):
    """Runs under a name, as they were when they were named."""

    schema_version: Literal[1] = SCHEMA_VERSION
    name: str
    runs: tuple[BaselineRun, ...]
    set_utc: str
    note: str = ""

    @property
    def ids(self) -> tuple[str, ...]:
        """The ids of its runs."""
        return tuple(run.run for run in self.runs)
