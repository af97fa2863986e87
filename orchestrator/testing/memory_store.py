"""A store without a disk, which can fail at any write: for tests of what a crash leaves behind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from orchestrator.core.record.journal import Event, progress
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports import SavedGuest, TrialData
from orchestrator.errors import StoreError


@dataclass
class KeptRun:
    """All that is kept of one run."""

    record: RunRecord
    inputs: dict[str, bytes]
    journal: list[Event] = field(default_factory=list)
    before: dict[str, SavedGuest] = field(default_factory=dict)
    environment: Environment | None = None
    trials: dict[str, TrialRecord] = field(default_factory=dict)
    data: dict[str, TrialData] = field(default_factory=dict)
    sealed: bool = False


class MemoryStore:
    """A :class:`~orchestrator.engine.ports.RunStore` in memory.

    Args:
        crash_after: so many writes succeed, and every later one raises; ``None``: none raises. A write that raises
            keeps nothing. What counts is each call of a writer that keeps something.
        crash: makes the error to be raised: KeyboardInterrupt for a crash, StoreError for a full disk.

    Attributes:
        kept: the runs by id, oldest first.
        writes: how many writes were tried so far.
    """

    def __init__(self, crash_after: int | None = None, crash: Callable[[], BaseException] = KeyboardInterrupt) -> None:
        self.kept: dict[str, KeptRun] = {}
        self.writes = 0
        self._crash_after, self._crash = crash_after, crash

    def recover(self) -> None:
        """From now on every write succeeds."""
        self._crash_after = None

    def create(self, record: RunRecord, inputs: Mapping[str, bytes]) -> MemoryWriter:
        """Begin a run under the id of its record, or one like it where that is taken."""
        wished = record.id or "run"
        names = (wished, *(f"{wished}-{number}" for number in range(2, len(self.kept) + 2)))
        free = next(name for name in names if name not in self.kept)
        self.kept[free] = KeptRun(record.model_copy(update={"id": free}), dict(inputs))
        return MemoryWriter(self, free)

    def reopen(self, run: str) -> tuple[StoredRun, MemoryWriter, Mapping[str, bytes]]:
        """Open an unfinished run."""
        stored = self.find(run)
        kept = self.kept[stored.record.id]
        where = progress(kept.journal)
        if where.state == "done" and where.guest_is_back:
            raise StoreError(f"run {stored.record.id} is complete: there is nothing left to resume")
        return stored, MemoryWriter(self, stored.record.id), dict(kept.inputs)

    def find(self, run: str) -> StoredRun:
        """Read a run by id, beginning of an id, or ``last``."""
        if run in self.kept:
            return self._stored(run)
        if run == "last" and self.kept:
            return self.list()[-1]
        matches = [name for name in self.kept if run and name.startswith(run)]
        if len(matches) != 1:
            there = ", ".join(matches or self.kept) or "no run at all"
            raise StoreError(f"{run!r} fits {len(matches)} runs; there is {there}")
        return self._stored(matches[0])

    def journal(self, run: StoredRun) -> tuple[Event, ...]:
        """What happened in a run, in order."""
        return tuple(self.kept[run.record.id].journal)

    def problems(self) -> list[str]:
        """Memory is never damaged."""
        return []

    def list(self) -> list[StoredRun]:
        """All runs, oldest first."""
        return sorted(map(self._stored, self.kept), key=lambda stored: stored.record.started_utc)

    def count_write(self) -> None:
        """A writer is about to keep something."""
        self.writes += 1
        if self._crash_after is not None and self.writes > self._crash_after:
            raise self._crash()

    def _stored(self, name: str) -> StoredRun:
        kept = self.kept[name]
        trials = tuple(sorted(kept.trials.values(), key=lambda trial: trial.number))
        where = progress(kept.journal)
        return StoredRun(kept.record, trials, where.state, f"memory:{name}", where.look)


class MemoryWriter:
    """A :class:`~orchestrator.engine.ports.RunWriter` of a :class:`MemoryStore`."""

    def __init__(self, store: MemoryStore, name: str) -> None:
        self.id = name
        self.location = f"memory:{name}"
        self._store, self._kept = store, store.kept[name]

    def append(self, event: Event) -> None:
        """Add to the journal."""
        self._write()
        self._kept.journal.append(event)

    def keep_before(self, guest: str, saved: SavedGuest) -> None:
        """Keep a guest's definition; the first one stays."""
        copy = SavedGuest(dict(saved.files), saved.running)
        if (kept := self._kept.before.get(guest)) is not None:
            if kept == copy:
                return
            raise StoreError(f"guest {guest!r} as it was before the run is kept already and is never overwritten")
        self._write()
        self._kept.before[guest] = copy

    def saved_guest(self, guest: str) -> SavedGuest | None:
        """What was kept."""
        return self._kept.before.get(guest)

    def keep_environment(self, environment: Environment) -> None:
        """Keep the fingerprint."""
        self._write()
        self._kept.environment = environment

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial; a later one under the same id takes its place."""
        self._write()
        self._kept.trials[record.id] = record
        self._kept.data[record.id] = data

    def seal(self) -> None:
        """Mark the run as whole."""
        self._write()
        self._kept.sealed = True

    def _write(self) -> None:
        self._store.count_write()
        self._kept.sealed = False
