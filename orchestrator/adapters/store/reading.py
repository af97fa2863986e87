"""A run's folder to values, whatever state the folder is in: what is damaged is named, and the rest stays readable."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from orchestrator.adapters.store import journal_file
from orchestrator.adapters.store.atomic import PARTIAL, explained
from orchestrator.adapters.store.inspecting import entries, oddities
from orchestrator.adapters.store.layout import SUPERSEDED, RunFolder
from orchestrator.core.measure.results import Record
from orchestrator.core.record.journal import progress
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.record.trial import SCHEMA_VERSION, TrialRecord
from orchestrator.errors import StoreError

R = TypeVar("R", bound=Record)


def load(model: type[R], path: Path) -> R:
    """Read one JSON file.

    Raises:
        StoreError: when it is missing, cut short, of a newer version, or not what it should be.
    """
    with explained("read", path):
        content = path.read_bytes()
    try:
        return model.model_validate_json(content)
    except ValidationError as error:
        raise StoreError(f"{path}: {_why_not(content, error)}") from error


def _why_not(content: bytes, error: ValidationError) -> str:
    try:
        found = json.loads(content)
    except (ValueError, RecursionError):
        return f"damaged or cut short ({len(content)} bytes are not a JSON document); restore it from a copy"
    version = found.get("schema_version") if isinstance(found, dict) else None
    if isinstance(version, int) and version > SCHEMA_VERSION:
        return (
            f"written by a newer version (schema_version {version}; this one reads {SCHEMA_VERSION}); update trialbed"
        )
    first = error.errors(include_url=False, include_input=False)[0]
    field = ".".join(str(part) for part in first["loc"]) or "the document"
    return f"not a record that trialbed wrote: {field}: {first['msg']}; restore it from a copy"


def read_run(folder: RunFolder, *, thorough: bool) -> tuple[StoredRun, list[str]]:
    """One run and what is wrong with its folder.

    Args:
        folder: the run's.
        thorough: whether to read the whole journal and look for missing and stray files; a listing does without.

    Raises:
        StoreError: when ``run.json`` cannot be read: without it there is no run.
    """
    record = load(RunRecord, folder.record)
    trials, problems = _read_trials(folder)
    state, look = "running or crashed", None
    try:
        journal = journal_file.read(folder.journal) if thorough else journal_file.read_tail(folder.journal)
    except StoreError as error:
        problems.append(str(error))
    else:
        problems.extend(journal.problems)
        where = progress(journal.events)
        state, look = where.state, where.look
        if thorough:
            problems.extend(oddities(folder, record, trials, where))
    # A folder may have been renamed or copied: its name is what finds it, so its name is its id.
    named = record if record.id == folder.path.name else record.model_copy(update={"id": folder.path.name})
    return StoredRun(named, trials, state, str(folder.path), look), problems


def _read_trials(folder: RunFolder) -> tuple[tuple[TrialRecord, ...], list[str]]:
    trials: list[TrialRecord] = []
    problems: list[str] = []
    for path in entries(folder.trials):
        if path.name.startswith((PARTIAL, SUPERSEDED)):
            continue
        if not path.is_dir():
            problems.append(f"{path}: not the folder of a trial; it is left alone")
            continue
        try:
            trial = load(TrialRecord, path / "trial.json")
        except StoreError as error:
            problems.append(str(error))
            continue
        if trial.id == path.name:
            trials.append(trial)
        else:
            problems.append(f"{path}: holds trial {trial.id!r} under another name and was left out; rename it back")
    return tuple(sorted(trials, key=lambda trial: trial.number)), problems
