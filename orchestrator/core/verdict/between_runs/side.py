"""One run as a side of a comparison: what it is, and what it was seen to do."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

from orchestrator.core.record.cell_identity import CellIdentity, cell_identities
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.verdict.cells import CellReadings, cells_of
from orchestrator.core.verdict.evidence import Evidence

#: Workload, threads, shape.
Key: TypeAlias = tuple[str, int, str]


@dataclass(frozen=True)
class Side:
    """A run and its evidence.

    Attributes:
        run: as read from the store.
        evidence: its trials that count, and what is to be said of the others.
    """

    run: StoredRun
    evidence: Evidence

    @property
    def record(self) -> RunRecord:
        """What was decided before its first trial."""
        return self.run.record

    @cached_property
    def identities(self) -> tuple[CellIdentity, ...]:
        """Every cell that it planned."""
        return cell_identities(self.record)

    @cached_property
    def cells(self) -> dict[Key, CellReadings]:
        """Every cell with a trial that counts."""
        return {cell.key: cell for cell in cells_of(self.evidence.observations)}
