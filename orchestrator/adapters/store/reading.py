"""A run's folder to values, whatever state the folder is in: what is damaged is named, and the rest stays readable."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from orchestrator.adapters.store import journal_file
from orchestrator.adapters.store.atomic import PARTIAL
from orchestrator.adapters.store.inspecting import altered, entries, oddities
from orchestrator.adapters.store.json_file import load
from orchestrator.adapters.store.layout import DISCARDED_RECORD, SUPERSEDED, RunFolder, instant
from orchestrator.adapters.store.living import lives, sign_of_life
from orchestrator.core.record.discarded import Discarded
from orchestrator.core.record.journal import OPEN, accepted_inputs, progress
from orchestrator.core.record.run import Environment, RunRecord, StoredRun, lost
from orchestrator.core.record.trial import TrialRecord
from orchestrator.errors import StoreError
from orchestrator.units import Seconds


def read_run(folder: RunFolder, *, thorough: bool, now_s: Seconds | None = None) -> tuple[StoredRun, list[str]]:
    """One run and what is wrong with its folder, each thing once and by its path within.

    Args:
        folder: the run's.
        thorough: whether to read the whole journal and to look at every file; a listing does without.
        now_s: seconds since 1970, to tell how old a sign of life is; ``None`` where that is not known.

    Raises:
        StoreError: when ``run.json`` cannot be read: without it there is no run.
    """
    record = _record(folder)
    trials, problems = _read_trials(folder)
    where, last_utc, inputs = progress(()), record.started_utc, record.inputs_sha256
    try:
        journal = journal_file.read(folder.journal) if thorough else journal_file.read_tail(folder.journal)
    except StoreError as error:
        problems.append(str(error))
    else:
        problems.extend(journal.problems)
        where, inputs = progress(journal.events), inputs | accepted_inputs(journal.events)
        last_utc = journal.events[-1].time_utc if journal.events else last_utc
        if thorough:
            problems.extend(oddities(folder, record, trials, where))
    state, heard_utc = where.state, ""
    if state == OPEN:
        alive = sign_of_life(folder)
        state = "running" if lives(folder, alive, now_s) else "crashed"
        heard_utc = last_utc if alive is None else max(last_utc, alive.time_utc, key=instant)
    discarded, unexplained = _read_discarded(folder) if thorough else ((), [])
    problems += unexplained
    if thorough:
        problems += _environment_unread(folder)
        problems += _altered(folder, inputs, problems)
    # A folder may have been renamed or copied: its name is what finds it, so its name is its id.
    named = record if record.id == folder.path.name else record.model_copy(update={"id": folder.path.name})
    stored = StoredRun(
        named,
        trials,
        state,
        str(folder.path),
        where.look,
        where.why,
        lost=lost(record, {trial.id for trial in trials}, where),
        heard_utc=heard_utc,
        discarded=discarded,
        not_back=where.not_back,
        accepted=where.accepted,
        began_as="" if named is record else record.id,
    )
    return stored, [folder.within(problem) for problem in problems]


def _record(folder: RunFolder) -> RunRecord:
    try:
        return load(RunRecord, folder.record)
    except StoreError as error:
        if not isinstance(error.__cause__, FileNotFoundError):
            raise
        what = "missing, so this is no run or a damaged one; restore it from a copy, or move the folder elsewhere"
        raise StoreError(f"{folder.record}: {what}") from error


def _environment_unread(folder: RunFolder) -> Iterator[str]:
    try:
        if folder.environment.is_file():
            load(Environment, folder.environment)
    except StoreError as error:
        yield str(error)


def _altered(folder: RunFolder, inputs: Mapping[str, str], told: Sequence[str]) -> Iterator[str]:
    """One sentence on records that are not as they were written, beside those that are ``told`` already."""
    try:
        names = altered(folder, inputs)
    except StoreError as error:
        yield str(error)
        return
    fresh = [name for name in names if not any(name.removesuffix("/trial.json") in problem for problem in told)]
    if fresh:
        others = "" if len(fresh) == 1 else f" and {len(fresh) - 1} more"
        yield f"{fresh[0]}{others}: not as it was written; trialbed verify tells what that means and what to do"


def _read_discarded(folder: RunFolder) -> tuple[tuple[Discarded, ...], list[str]]:
    """What was put apart; a folder without its reason is there all the same."""
    found: list[Discarded] = []
    problems: list[str] = []
    for path in entries(folder.discarded):
        where = f"{folder.discarded.name}/{path.name}"
        try:
            found.append(load(Discarded, path / DISCARDED_RECORD).model_copy(update={"folder": where}))
        except StoreError as error:
            found.append(Discarded(trial=path.name, reason="why is not known", folder=where))
            problems.append(str(error))
    return tuple(found), problems


def _read_trials(folder: RunFolder) -> tuple[tuple[TrialRecord, ...], list[str]]:
    trials: list[TrialRecord] = []
    problems: list[str] = []
    for path in entries(folder.trials):
        if path.name.startswith((PARTIAL, SUPERSEDED)):
            continue
        if not path.is_dir():
            problems.append(f"{path}: not the folder of a trial, and left alone; move it out of the run's folder")
            continue
        try:
            trial = load(TrialRecord, path / "trial.json")
        except StoreError as error:
            problems.append(str(error))
            continue
        if trial.id == path.name:
            trials.append(trial)
        else:
            problems.append(f"{path}: holds trial {trial.id!r} under another name, and was left out; rename it back")
    return tuple(sorted(trials, key=lambda trial: trial.number)), problems
