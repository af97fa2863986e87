"""Where runs are kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from orchestrator.core.measure.samples import Sample, Value
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports.hypervisors import SavedGuest


@dataclass(frozen=True)
class TrialData:
    """The series of a trial, to be stored beside its record."""

    throughput: Sequence[Mapping[str, Value]]
    """Rows with ``time_s``, ``value`` as read."""
    host: Sequence[Sample]
    guest: Sequence[Sample]
    vcpu: Sequence[Sample]
    log: str


class RunWriter(Protocol):
    """One run being written. Raises StoreError when the disk refuses."""

    id: str
    location: str

    def append(self, event: Event) -> None:
        """Add a line to the journal; on the disk when this returns."""

    def keep_before(self, guest: str, saved: SavedGuest) -> None:
        """Keep a guest's definition before the first change."""

    def saved_guest(self, guest: str) -> SavedGuest | None:
        """What :meth:`keep_before` kept, if it did."""

    def keep_environment(self, environment: Environment) -> None:
        """Keep the fingerprint."""

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial: it appears whole or not at all."""

    def seal(self) -> None:
        """Write the digests of everything (``SHA256SUMS``)."""


class RunStore(Protocol):
    """Where runs are kept."""

    def create(self, record: RunRecord, inputs: Mapping[str, bytes]) -> RunWriter:
        """Begin a run; ``inputs`` are plan and lab as given, byte for byte (``plan.yaml``, ``lab.yaml``, files)."""

    def reopen(self, run: str) -> tuple[StoredRun, RunWriter, Mapping[str, bytes]]:
        """Open an unfinished run to go on with it; the last item are its inputs."""

    def find(self, run: str) -> StoredRun:
        """Read a run by id, unambiguous prefix, or ``last``. Raises StoreError with what there is."""

    def journal(self, run: StoredRun) -> tuple[Event, ...]:
        """What happened in a run, in order; lines that cannot be read are left out."""

    def problems(self) -> list[str]:
        """What the last reading found damaged or strange."""

    def list(self) -> list[StoredRun]:
        """All runs, oldest first; what cannot be read is left out and reported by ``problems``."""
