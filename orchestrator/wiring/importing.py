"""Readings that somebody took elsewhere, into the store."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from platform import python_version
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.readings.files import content
from orchestrator.core.design.wording import shown
from orchestrator.core.record.journal import Event
from orchestrator.errors import InputError, Problem
from orchestrator.units import utc_text
from orchestrator.wiring.beginning import version_of
from orchestrator.wiring.views import folder_store

if TYPE_CHECKING:
    from orchestrator.engine.import_readings import Imported, Taken
    from orchestrator.engine.read_series import Log

#: What the table is called among the inputs of its run, and below what its logs have the names that it uses.
TABLE, LOGS = "table.csv", "logs"
_NOT_TOLD = "not noted"
_VERSIONS_OF = ("trialbed", "numpy", "scipy", "pandas", "pyarrow", "pydantic")


@dataclass(frozen=True)
class Told:
    """What the options tell of the readings; ``None`` where nothing."""

    title: str | None = None
    guest: str | None = None
    when: str | None = None
    note: str | None = None


def import_table(table: str, store: str, per: str, told: Told) -> tuple[str, tuple[str, ...]]:
    """Make a run of a table of readings and the logs that it names.

    Args:
        table: path of the table; ``-`` is standard input, and logs are then looked for in the working directory.
        store: the folder of the runs.
        per: period of the throughput, in the table and in the logs.
        told: what the options tell.

    Returns:
        The run's id, and what has to be said of the table, in sentences.

    Raises:
        InputError: with everything that is wrong in the table, or else in its logs; nothing was kept.
        StoreError: the store refuses; nothing was kept.
    """
    from orchestrator.adapters.local_time import read_past
    from orchestrator.adapters.readings.table import read_readings
    from orchestrator.engine.import_readings import About, import_readings

    now_s, data = SystemClock().now(), content(table)
    name = "standard input" if table == "-" else table
    try:
        taken_s = now_s if told.when is None else read_past(told.when, now_s)
    except ValueError as error:
        raise InputError([Problem("--when", "", str(error))]) from error
    taken, remarks = read_readings(name, data, per=per)
    files, logs = _logs(name, taken, Path() if table == "-" else Path(table).parent)
    about = About(
        title=_line("--title", told.title) or ("Readings" if table == "-" else f"Readings of {Path(table).stem}"),
        guest=_line("--guest", told.guest) or _NOT_TOLD,
        taken_utc=utc_text(taken_s),
        per=per,
        note=_line("--note", told.note) or "",
    )
    inputs = {TABLE: data} | files
    made = import_readings(
        taken,
        logs,
        about,
        inputs_sha256={file: hashlib.sha256(inside).hexdigest() for file, inside in inputs.items()},
        versions={"python": python_version()} | {package: version_of(package) for package in _VERSIONS_OF},
    )
    if told.when is None:
        remarks = (*remarks, "When they were taken was not told (--when), so they are dated now.")
    run = _keep(made, inputs, store, utc_text(now_s))
    return run, remarks


def _logs(table: str, taken: Sequence[Taken], folder: Path) -> tuple[dict[str, bytes], dict[str, Log]]:
    """The logs that readings name: as files to be kept, and as read; every problem of all of them at once."""
    from orchestrator.adapters.readings.series import read_log_text

    files: dict[str, bytes] = {}
    logs: dict[str, Log] = {}
    problems: list[Problem] = []
    for reading in taken:
        if (named := reading.log) is None:
            continue
        path = str(folder / named)
        try:
            files[f"{LOGS}/{named}"] = data = content(path)
            logs[named] = read_log_text(path, data)
        except InputError as error:
            problems += [
                Problem(problem.where, problem.field, f"{problem.message} (the log of line {reading.line} of {table})")
                for problem in error.problems
            ]
    if problems:
        raise InputError(problems)
    return files, logs


def _keep(made: Imported, inputs: Mapping[str, bytes], store: str, now_utc: str) -> str:
    """Write a run whole, or not at all; returns its id."""
    writer = folder_store(store).create(made.record, inputs)
    try:
        writer.append(Event(time_utc=now_utc, event="run-started", detail={"imported": len(made.trials)}))
        for trial, data in made.trials:
            writer.keep_trial(trial, data)
            writer.append(
                Event(
                    time_utc=now_utc,
                    event="trial-ended",
                    trial=trial.id,
                    detail={"outcome": trial.outcome, "reason": trial.reason},
                )
            )
        writer.append(Event(time_utc=now_utc, event="run-ended"))
        writer.seal()
    except BaseException:
        writer.withdraw()
        raise
    return writer.id


def _line(option: str, text: str | None) -> str | None:
    """What an option says, which stands in tables."""
    if text is None:
        return None
    if not text.isprintable() or not text.strip() or len(text) > 1000:
        raise InputError([Problem(option, "", f"{shown(text)} is not one line of printable text")])
    return text.strip()
