"""All trials of a run in one table, those that have not run yet at its end."""

from __future__ import annotations

from orchestrator.adapters.report.content.standing import flags
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, Times, figures, rates, text, whole
from orchestrator.adapters.report.document.parts import Cell, Column, Number, Table
from orchestrator.adapters.report.imported_text import since_text
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.record.journal import OPEN
from orchestrator.core.record.run import PlannedTrial, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.units import PERIODS

_NONE = Number("none", None)


def trials_table(run: StoredRun, per: str) -> Table:
    """A row a trial, in the order in which they ran or are to run."""
    ended = {trial.id for trial in run.trials}
    to_run = [planned for planned in run.needed if planned.id not in ended]
    several = len({trial.workload for trial in run.record.trials}) > 1
    measured, columns = _measured(
        [trial.summary for trial in run.trials], per, imported=run.record.origin == "imported"
    )
    rows = [
        (*_named(trial, several=several), trial.outcome, *of_it, ", ".join(check.title for check in flags(trial)))
        for trial, of_it in zip(run.trials, measured, strict=True)
    ]
    rows += [
        (
            *_named(planned, several=several),
            "lost" if planned.id in run.lost else "not run yet" if run.state in {"running", OPEN} else "not run",
            *[_NONE for _ in columns],
            "",
        )
        for planned in to_run
    ]
    names = (
        figures("number"),
        figures("block" if run.record.in_blocks else "of its cell"),
        text("shape"),
        *((text("workload"),) if several else ()),
        figures("threads"),
        text("outcome"),
    )
    window = f"Steady from, to: in seconds since {since_text(run.record)}."
    means = f"From, to: interval of the mean over the steady window, by the scatter within it. {window}"
    note = means if any(column.name == "steady from" for column in columns) else ""
    caption = "Readings" if run.record.origin == "imported" else "Trials"
    return Table(caption, (*names, *columns, text("flags")), tuple(rows), note=note)


def _named(trial: TrialRecord | PlannedTrial, *, several: bool) -> tuple[Cell, ...]:
    load = (trial.workload,) if several else ()
    return (whole(trial.number), whole(trial.block), trial.shape, *load, whole(trial.threads))


def _measured(
    found: list[TrialSummary | None], per: str, *, imported: bool
) -> tuple[list[tuple[Cell, ...]], tuple[Column, ...]]:
    """What was measured in each trial, and the columns of it; of what was imported those that hold anything."""
    factor, unit = PERIODS[per], f"per {per}"
    means = [None if summary is None else summary.throughput for summary in found]
    windows = [None if summary is None else summary.window for summary in found]
    cost = [None if summary is None else summary.cpu_seconds_per_operation for summary in found]
    times = Times(cost)
    columns = (
        figures("throughput", unit),
        figures("from", unit),
        figures("to", unit),
        figures("steady from", "s"),
        figures("steady to", "s"),
        figures("CPU an operation", times.unit),
    )
    known = (
        rates([None if mean is None else mean.mean for mean in means], factor, _NONE),
        rates([None if mean is None else mean.low for mean in means], factor, NO_INTERVAL),
        rates([None if mean is None else mean.high for mean in means], factor, NO_INTERVAL),
        [_seconds(None if window is None else window.start_s) for window in windows],
        [_seconds(None if window is None else window.end_s) for window in windows],
        [_NONE if summary is None else spent for summary, spent in zip(found, times.column(cost), strict=True)],
    )
    told = [at for at, column in enumerate(known) if not imported or any(one.value is not None for one in column)]
    rows = list(zip(*(known[at] for at in told), strict=True))
    return rows or [()] * len(found), tuple(columns[at] for at in told)


def _seconds(value: float | None) -> Number:
    return _NONE if value is None else Number(f"{value:.0f}", value)
