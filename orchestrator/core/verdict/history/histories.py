"""The history of cells: the front of this package."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from orchestrator.core.record.cell_identity import CellIdentity
from orchestrator.core.record.run_line import RunLine
from orchestrator.core.verdict.history.answer import answer, remarks
from orchestrator.core.verdict.history.course import Course, StepFound, course
from orchestrator.core.verdict.history.results import CellHistory, Point, SlowDrift, Step, Upgrade
from orchestrator.core.verdict.history.series import Reading, Series, series_of
from orchestrator.core.verdict.history.upgrades import Facts, facts_of, upgrades
from orchestrator.core.verdict.inference.uncertainty import exp, student


def histories(
    runs: Sequence[RunLine],
    wanted: Callable[[str], bool],
    *,
    short: Mapping[str, str],
    per: str = "second",
    confidence: float = 0.95,
) -> tuple[CellHistory, ...]:
    """Follow the wanted cells through the runs.

    Args:
        runs: of a store, oldest first.
        wanted: whether the cell of an id is.
        short: a name to type of each run.
        per: the period that sentences speak in.
        confidence: of intervals, and of where a step may lie.
    """
    found = series_of(runs, wanted)
    facts = {run.id: facts_of(run) for run in runs} if found else {}
    return tuple(_history(series, facts, short, per, confidence) for series in found)


def _history(
    series: Series, facts: Mapping[str, Facts], short: Mapping[str, str], per: str, confidence: float
) -> CellHistory:
    means = [_mean([log for _, log in cell.logs]) for _, cell in series.readings]
    changed = upgrades([facts[run.id] for run, _ in series.readings])
    found = course(means, confidence)
    half = _half_widths(series.readings, confidence)
    points = tuple(
        _point(reading, short, (means[at], half[at], found.fitted[at]), changed[at])
        for at, reading in enumerate(series.readings)
    )
    latest_run, cell = series.readings[-1][0], series.latest
    margin = latest_run.margin
    steps = tuple(_step(step, points, margin) for step in found.steps)
    drift = _drift(found, margin)
    return CellHistory(
        cell=cell.id,
        **_of_identity(cell),
        guest=latest_run.guest,
        guest_kind=_guest_kind(series),
        kind=found.kind,
        answer=answer(found, points, steps, drift, per),
        points=points,
        steps=steps,
        drift=drift,
        sd=found.sd,
        margin=margin,
        remarks=remarks(found, points, margin),
    )


def _of_identity(cell: CellIdentity) -> dict[str, object]:
    return {name: getattr(cell, name) for name in ("shape", "vcpus", "memory", "workload", "threads", "files")}


def _guest_kind(series: Series) -> str:
    kinds = [run.guest_kind for run, _ in series.readings if run.origin == "measured"]
    return kinds[-1] if kinds else series.readings[-1][0].guest_kind


def _half_widths(readings: Sequence[Reading], confidence: float) -> list[float | None]:
    """Of each run's log mean, by the scatter of trials within runs, pooled over all runs of the cell."""
    within = [[log for _, log in cell.logs] for _, cell in readings]
    df = sum(len(logs) - 1 for logs in within)
    if df == 0:
        return [None] * len(within)
    squares = math.fsum((log - _mean(logs)) ** 2 for logs in within for log in logs)
    sd = math.sqrt(squares / df)
    return [student(confidence, df) * sd / math.sqrt(len(logs)) for logs in within]


def _mean(logs: Sequence[float]) -> float:
    return math.fsum(logs) / len(logs)


def _point(
    reading: Reading,
    short: Mapping[str, str],
    figures: tuple[float, float | None, float],
    changed: tuple[Upgrade, ...],
) -> Point:
    (run, cell), (mean, half, level) = reading, figures
    return Point(
        run=run.id,
        short=short[run.id],
        started_utc=run.started_utc,
        state=run.state,
        cell=cell.identity.id,
        trials=len(cell.logs),
        per_s=exp(mean),
        low=None if half is None else exp(mean - half),
        high=None if half is None else exp(mean + half),
        level_per_s=exp(level),
        changed=changed,
    )


def _step(found: StepFound, points: Sequence[Point], margin: float | None) -> Step:
    between = points[found.earliest : found.latest + 1]
    nearest = sorted(between, key=lambda point: point.run != points[found.place].run)
    return Step(
        run=points[found.place].run,
        earliest=points[found.earliest].run,
        latest=points[found.latest].run,
        ratio=found.ratio,
        low=found.low,
        high=found.high,
        p=found.p,
        matters=_matters(found.low, found.high, margin),
        beside=tuple(upgrade for point in nearest for upgrade in point.changed),
    )


def _drift(found: Course, margin: float | None) -> SlowDrift | None:
    slope = found.slope
    if slope is None:
        return None
    matters = _matters(slope.low, slope.high, margin)
    return SlowDrift(ratio=slope.ratio, low=slope.low, high=slope.high, p=slope.p, matters=matters)


def _matters(low: float, high: float, margin: float | None) -> bool | None:
    """Whether a change is beyond the margin for sure, within it for sure, or neither."""
    if margin is None:
        return None
    least, most = 1 / (1 + margin), 1 + margin
    if high < least or low > most:
        return True
    return False if least < low and high < most else None
