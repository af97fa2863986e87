"""Where runs are kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

from orchestrator.core.measure.samples import Sample, Value
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports.hypervisors import SavedGuest
from orchestrator.engine.ports.shells import Line

#: Whose counters a sample holds.
SampleSeries: TypeAlias = Literal["host", "guest", "vcpu"]


@dataclass(frozen=True)
class TrialData:
    """The series of a trial, to be stored beside its record."""

    throughput: Sequence[Mapping[str, Value]]
    """Rows with ``time_s``, ``value`` as read."""
    host: Sequence[Sample]
    guest: Sequence[Sample]
    vcpu: Sequence[Sample]
    log: str


class Draft(Protocol):
    """The trial in hand as it grows, for whoever wants to know what it had measured when it was cut off.

    It is not the trial: that is kept whole at its end. So nothing here raises, and nothing is waited for.
    """

    def sample(self, series: SampleSeries, sample: Sample) -> None:
        """Add a reading of counters."""

    def lines(self, lines: Sequence[Line]) -> None:
        """Add what the workload printed."""


class NoDraft:
    """Keeps nothing."""

    def sample(self, series: SampleSeries, sample: Sample) -> None:
        """Forget it."""

    def lines(self, lines: Sequence[Line]) -> None:
        """Forget them."""


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

    def before_folder(self, guest: str) -> str:
        """Absolute path of the folder that holds a guest's files as they were."""

    def replace_guest(self, guest: str, saved: SavedGuest, reason: str) -> None:
        """Keep a guest as it is now, and put apart how it was kept, with the reason."""

    def replace_input(self, name: str, content: bytes, reason: str) -> None:
        """Keep another plan, lab or file of a workload, and put apart the one that was kept, with the reason."""

    def keep_environment(self, environment: Environment) -> None:
        """Keep the fingerprint."""

    def draft(self, trial: str, tell: Callable[[str], None]) -> Draft:
        """Begin a draft of the trial in hand; an earlier one of it begins anew.

        Args:
            trial: its id.
            tell: told once, in words, where the draft cannot be kept.
        """

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial: it appears whole or not at all. Its draft goes; an earlier result of it is put apart."""

    def discard(self, trial: str, reason: str) -> None:
        """Put the draft of a trial that does not count apart, with the reason; nothing where it left nothing."""

    def seal(self) -> None:
        """Write the digests of everything (``SHA256SUMS``)."""


class RunStore(Protocol):
    """Where runs are kept."""

    def create(self, record: RunRecord, inputs: Mapping[str, bytes]) -> RunWriter:
        """Begin a run; ``inputs`` are plan and lab as given, byte for byte (``plan.yaml``, ``lab.yaml``, files)."""

    def reopen(self, run: str) -> tuple[StoredRun, RunWriter, Mapping[str, bytes]]:
        """Open an unfinished run, or one that has lost trials, to go on with it; the last item are its inputs.

        A trial that was in hand when its process died is put apart, and the journal says so.
        """

    def find(self, run: str) -> StoredRun:
        """Read a run by id, unambiguous prefix, or ``last``. Raises StoreError with what there is."""

    def guests(self, run: StoredRun) -> Sequence[str]:
        """The guests that a run keeps as they were. Raises StoreError when that cannot be read."""

    def saved_guest(self, run: StoredRun, guest: str) -> SavedGuest | None:
        """A guest as it was before a run, if it is kept. Raises StoreError when it is damaged."""

    def before_folder(self, run: StoredRun, guest: str) -> str:
        """Absolute path of the folder that holds a guest's files as they were."""

    def inputs(self, run: StoredRun) -> Mapping[str, bytes]:
        """Plan, lab and the workloads' files, byte for byte; those that are there. Raises StoreError."""

    def environment(self, run: StoredRun) -> Environment | None:
        """The fingerprint of host and guest, if the run got so far. Raises StoreError when it is damaged."""

    def writer(self, run: StoredRun) -> RunWriter:
        """The right to write to a run, whatever its state.

        Raises:
            RunBusyError: another process has it.
            StoreError: the run cannot be written to.
        """

    def journal(self, run: StoredRun) -> tuple[Event, ...]:
        """What happened in a run, in order; lines that cannot be read are left out."""

    def problems(self) -> list[str]:
        """What the last reading found damaged or strange."""

    def list(self) -> list[StoredRun]:
        """All runs, oldest first; what cannot be read is left out and reported by ``problems``."""
