"""What is odd about a run's folder: files that are missing, left over, renamed or not the run's. Nothing is changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from orchestrator.adapters.store.atomic import PARTIAL, explained
from orchestrator.adapters.store.digests import read_sums, sha256
from orchestrator.adapters.store.layout import EARLIER_ENVIRONMENT, ENTRIES, RECORDS, SUPERSEDED, RunFolder
from orchestrator.core.record.journal import OPEN, Progress
from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.trial import TrialRecord

_FROM_A_COPY = "restore it from a copy of the run"
_STRANGER = "move it out of the run's folder"


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
        yield f"the folder was renamed; the run began as {record.id!r}"
    kept = {trial.id: trial for trial in trials}
    for ended in where.ended:
        if ended not in kept and not folder.trial(ended).exists():
            yield (
                f"{folder.trial(ended)}: missing, and the journal says that this trial ended; {_FROM_A_COPY}, or run "
                "the trial again with trialbed resume"
            )
    for stranger in sorted(kept.keys() - {planned.id for planned in record.trials}):
        yield f"{folder.trial(stranger)}: not among the trials that the run planned; {_STRANGER}"
    yield from _in_trials(folder, kept)
    if where.state != OPEN and not folder.sums.is_file():
        yield f"{folder.sums}: missing, so files cannot be checked against their digests; {_FROM_A_COPY}"
    for path in entries(folder.path):
        known = path.name in ENTRIES or EARLIER_ENVIRONMENT.fullmatch(path.name)
        if not known and not path.name.startswith(PARTIAL):  # one of these comes and goes with each sign of life
            yield f"{path}: not a file of a run, and left alone; {_STRANGER}"


def altered(folder: RunFolder, inputs: Mapping[str, str]) -> list[str]:
    """Records that are missing or not as they were written, by name, as far as there are digests.

    One that cannot be read at all is told by whoever needs it.

    Args:
        folder: the run's.
        inputs: digests of plan and lab, among others, which are known before there is a seal.

    Raises:
        StoreError: the seal cannot be read.
    """
    sealed = read_sums(folder.sums) if folder.sums.is_file() else {}
    digests = {name: digest for name, digest in (sealed | dict(inputs)).items() if RECORDS.fullmatch(name)}
    return [name for name in sorted(digests) if _digest(folder.path / name) not in {None, digests[name]}]


def _digest(path: Path) -> str | None:
    """Of a record, read as a whole: it is small, and a long run has thousands. Empty where there is none."""
    with suppress(OSError):
        return sha256(path.read_bytes()) if path.is_file() else ""
    return None


def _in_trials(folder: RunFolder, kept: Mapping[str, TrialRecord]) -> Iterator[str]:
    for path in entries(folder.trials):
        if path.name in kept:
            yield from _in_trial(path, kept[path.name])
        elif path.name.startswith(PARTIAL):
            yield f"{path}: a write that is going on now, or was cut short and may be deleted"
        elif path.name.startswith(SUPERSEDED):
            yield f"{path}: an earlier result of a trial that was run again, set aside"


def _in_trial(path: Path, trial: TrialRecord) -> Iterator[str]:
    there = {entry.name for entry in entries(path)}
    for name in sorted(set(trial.files) - there):
        yield f"{path / name}: missing; {_FROM_A_COPY}"
    for name in sorted(there - set(trial.files) - {"trial.json"}):
        yield f"{path / name}: not a file of a trial, and left alone; {_STRANGER}"
