"""What is odd about a run's folder: files that are missing, left over, renamed or not the run's. Nothing is changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from orchestrator.adapters.store.atomic import PARTIAL, explained
from orchestrator.adapters.store.layout import EARLIER_ENVIRONMENT, ENTRIES, SUPERSEDED, RunFolder
from orchestrator.core.record.journal import OPEN, Progress
from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.trial import TrialRecord


def entries(folder: Path) -> list[Path]:
    """What a folder holds, by name; one that is not there holds nothing.

    Raises:
        StoreError: when it cannot be read.
    """
    if not folder.is_dir():
        return []
    with explained("read", folder):
        return sorted(folder.iterdir())


def oddities(folder: RunFolder, record: RunRecord, trials: tuple[TrialRecord, ...], where: Progress) -> Iterator[str]:
    """Each oddity as a sentence.

    Args:
        folder: the run's.
        record: as its ``run.json`` has it.
        trials: those that could be read.
        where: what its journal says.
    """
    if record.id != folder.path.name:
        yield f"{folder.path}: the folder was renamed; the run began as {record.id!r}"
    kept = {trial.id: trial for trial in trials}
    for ended in where.ended:
        if ended not in kept:
            yield f"{folder.trial(ended)}: the journal says that this trial ended, but it cannot be read"
    for stranger in sorted(kept.keys() - {planned.id for planned in record.trials}):
        yield f"{folder.trial(stranger)}: not among the trials that the run planned"
    yield from _in_trials(folder, kept)
    if where.state != OPEN and not folder.sums.is_file():
        yield f"{folder.sums}: missing, so the run's files cannot be checked against their digests"
    for path in entries(folder.path):
        known = path.name in ENTRIES or EARLIER_ENVIRONMENT.fullmatch(path.name)
        if not known and not path.name.startswith(PARTIAL):  # one of these comes and goes with each sign of life
            yield f"{path}: not a file of a run; it is left alone"


def _in_trials(folder: RunFolder, kept: Mapping[str, TrialRecord]) -> Iterator[str]:
    for path in entries(folder.trials):
        if path.name in kept:
            yield from _in_trial(path, kept[path.name])
        elif path.name.startswith(PARTIAL):
            yield f"{path}: a write that is going on now or was cut short; in the latter case it may be deleted"
        elif path.name.startswith(SUPERSEDED):
            yield f"{path}: an earlier result of a trial that was run again, set aside"


def _in_trial(path: Path, trial: TrialRecord) -> Iterator[str]:
    there = {entry.name for entry in entries(path)}
    for name in sorted(set(trial.files) - there):
        yield f"{path / name}: missing"
    for name in sorted(there - set(trial.files) - {"trial.json"}):
        yield f"{path / name}: not a file of a trial; it is left alone"
