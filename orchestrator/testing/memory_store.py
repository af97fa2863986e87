"""A store without a disk, which can fail at any write: for tests of what a crash leaves behind."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.discarded import CUT_SHORT, Discarded
from orchestrator.core.record.journal import Event, cut_short, progress
from orchestrator.core.record.run import Environment, RunRecord, StoredRun, lost
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports import Line, SampleSeries, SavedGuest, TrialData
from orchestrator.errors import StoreError


@dataclass
class MemoryDraft:
    """What a trial in hand has measured so far."""

    trial: str
    samples: dict[SampleSeries, list[Sample]] = field(default_factory=dict)
    output: list[Line] = field(default_factory=list)
    reason: str = ""
    """Why it does not count, once it was put apart."""

    def sample(self, series: SampleSeries, sample: Sample) -> None:
        """Add a reading of counters."""
        self.samples.setdefault(series, []).append(sample)

    def lines(self, lines: Sequence[Line]) -> None:
        """Add what the workload printed."""
        self.output.extend(lines)


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
    drafts: dict[str, MemoryDraft] = field(default_factory=dict)
    discarded: list[MemoryDraft] = field(default_factory=list)
    set_aside: list[tuple[str, str]] = field(default_factory=list)
    """What was replaced since a change was accepted, and why."""
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
        if stored.complete and where.guest_is_back:
            raise StoreError(f"run {stored.record.id} is complete: there is nothing left to resume")
        writer = MemoryWriter(self, stored.record.id)
        writer.tidy()
        if where.in_hand is not None and where.in_hand not in kept.trials:
            writer.append(cut_short(kept.journal[-1], where.in_hand))
        return stored, writer, dict(kept.inputs)

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

    def guests(self, run: StoredRun) -> tuple[str, ...]:
        """The guests that a run keeps as they were."""
        return tuple(self.kept[run.record.id].before)

    def saved_guest(self, run: StoredRun, guest: str) -> SavedGuest | None:
        """A guest as it was, if it is kept."""
        return self.kept[run.record.id].before.get(guest)

    def environment(self, run: StoredRun) -> Environment | None:
        """The fingerprint, if the run got so far."""
        return self.kept[run.record.id].environment

    def before_folder(self, run: StoredRun, guest: str) -> str:
        """There is no such folder."""
        return f"/memory/{run.record.id}/before/{guest}/definition"

    def inputs(self, run: StoredRun) -> Mapping[str, bytes]:
        """What it was created with, or has now."""
        return dict(self.kept[run.record.id].inputs)

    def writer(self, run: StoredRun) -> MemoryWriter:
        """A writer of a run in any state."""
        return MemoryWriter(self, run.record.id)

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
        return StoredRun(
            kept.record,
            trials,
            where.state,
            f"memory:{name}",
            where.look,
            where.why,
            lost=lost(kept.record, kept.trials.keys(), where),
            discarded=tuple(Discarded(trial=draft.trial, reason=draft.reason) for draft in kept.discarded),
        )


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

    def before_folder(self, guest: str) -> str:
        """There is no such folder."""
        return f"/memory/{self.id}/before/{guest}/definition"

    def replace_guest(self, guest: str, saved: SavedGuest, reason: str) -> None:
        """Keep another; the earlier one is set aside under the reason."""
        self._write()
        if guest in self._kept.before:
            self._kept.set_aside.append((f"before-{guest}", reason))
        self._kept.before[guest] = SavedGuest(dict(saved.files), saved.running)

    def replace_input(self, name: str, content: bytes, reason: str) -> None:
        """Keep another; the earlier one is set aside under the reason."""
        self._write()
        if name in self._kept.inputs:
            self._kept.set_aside.append((name, reason))
        self._kept.inputs[name] = content

    def keep_environment(self, environment: Environment) -> None:
        """Keep the fingerprint."""
        self._write()
        self._kept.environment = environment

    def draft(self, trial: str, tell: Callable[[str], None]) -> MemoryDraft:  # noqa: ARG002 - memory never refuses
        """Begin a draft; it is no write that can fail."""
        self._kept.drafts[trial] = MemoryDraft(trial)
        return self._kept.drafts[trial]

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial; a later one under the same id takes its place."""
        self._write()
        self._kept.trials[record.id] = record
        self._kept.data[record.id] = data
        self._kept.drafts.pop(record.id, None)

    def discard(self, trial: str, reason: str) -> None:
        """Put a draft apart."""
        if trial in self._kept.drafts:
            self._write()
            draft = self._kept.drafts.pop(trial)
            draft.reason = reason
            self._kept.discarded.append(draft)

    def tidy(self) -> None:
        """Put apart what was in hand when a process died."""
        for trial in list(self._kept.drafts):
            self.discard(trial, CUT_SHORT)

    def seal(self) -> None:
        """Mark the run as whole."""
        self._write()
        self._kept.sealed = True

    def _write(self) -> None:
        self._store.count_write()
        self._kept.sealed = False
