"""The rows that a trial is drawn from: few, short and rounded, since a report holds a hundred trials."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import Any, TypeAlias

from orchestrator.adapters.report.charts.frame import spoken
from orchestrator.adapters.report.charts.thinning import kept
from orchestrator.adapters.report.figures import rate_text, window_text
from orchestrator.adapters.report.plain import safe
from orchestrator.core.measure.cleaning import LeftOut, clean
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.throughput import GAP
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.courses import Course, TrialCourse
from orchestrator.units import PERIODS

Row: TypeAlias = Mapping[str, Any]

#: Points of each series, so that those of a hundred long trials are 2 MB.
_RATES, _SHARES, _LINES = 300, 200, 120
_DIGITS = 5
#: A reading that cannot be true is drawn so far above the others at most; in full height it would flatten them.
_ABOVE = 1.05
_LEFT_OUT_SHOWN = 20
_OVERLAP_S = 1e-6
_LINES_OF = {"host": "host busy", "steal": "steal"}


def trial_rows(record: TrialRecord, course: TrialCourse, per: str, since: str) -> dict[str, list[Row]]:
    """The data sets of a trial, as :mod:`~orchestrator.adapters.report.charts.trial_plot` names them.

    Args:
        record: of the trial.
        course: its series.
        per: period of the rates.
        since: what the times count from.
    """
    left_out = clean(course.throughput.rate).left_out
    rates = _rates(course.throughput, {one.index for one in left_out}, PERIODS[per])
    said = [*_window(record, per), *_left_out(course.throughput, left_out, per, since)]
    marks: list[Row] = [spoken(row) for row in said]
    marks = [_ends(course, [*rates, *marks]), *marks]
    if not course.shares:
        return {"rates": rates, "marks": marks}
    known = {share.what: share for share in course.shares}
    marks += [{"kind": "key", "label": what} for what in known]
    lines = {name: _line(known[what]) if what in known else [] for name, what in _LINES_OF.items()}
    return {"rates": rates, "marks": marks, "shares": _areas(known), **lines}


def no_window(record: TrialRecord) -> str:
    """Why a trial has no steady window, in a few words: ``no steady window: drift``."""
    if record.outcome == "failed":
        return safe(f"failed in stage {record.failed_stage}", 60)
    kind = record.summary.kind if record.summary is not None else None
    return "no steady window" if kind is None else safe(f"no steady window: {kind}", 60)


def _ends(course: TrialCourse, drawn: Sequence[Row]) -> Row:
    """Where the axes end: behind all series and marks, and above them."""
    times = [share.end_s[-1] for share in course.shares if share.end_s]
    times += [row[key] for row in drawn for key in ("t", "to") if key in row]
    heights = [row[key] for row in drawn for key in ("v", "high") if row.get(key) is not None]
    return {"kind": "ends", "x": max(times, default=0) or 1, "y": max(heights, default=0) or 1}


def _window(record: TrialRecord, per: str) -> Iterator[Row]:
    """Warm-up, steady window with its mean, or that there is none."""
    summary = record.summary
    if summary is None or summary.window is None or summary.throughput is None:
        yield {"kind": "none", "label": no_window(record), "said": safe(record.reason)}
        return
    window, mean, factor = summary.window, summary.throughput, PERIODS[per]
    start, end = _rounded(window.start_s), _rounded(window.end_s)
    if window.start_s > 0:
        said = f"warm-up: 0 to {window.start_s:.0f} s"
        yield {"kind": "warm-up", "label": "warm-up", "from": 0, "to": start, "said": said}
    told = f"{rate_text(mean, per)} per {per}"
    said = f"steady window, {window_text(window)}: {told}"
    bounds = {"low": _rounded(mean.low, factor), "high": _rounded(mean.high, factor)}
    at = {"from": start, "to": end, "v": _rounded(mean.mean, factor)}
    yield {"kind": "steady", "label": "steady window", **at, **bounds, "mean": told, "said": said}


def _rates(series: Throughput, left_out: Collection[int], factor: float) -> list[Row]:
    """The readings that can be true, with an empty row where one is missing."""
    good = [index for index in range(len(series.rate)) if index not in left_out]
    broken = _broken(series, left_out)
    rows: list[Row] = []
    before = 0
    for index in (good[place] for place in kept([series.rate[index] for index in good], _RATES)):
        if rows and broken[index] > before:
            rows.append({"t": rows[-1]["t"], "v": None})
        rows.append({"t": _rounded(series.time_s[index]), "v": _rounded(series.rate[index], factor)})
        before = broken[index]
    return rows


def _broken(series: Throughput, left_out: Collection[int]) -> list[int]:
    """How often the line is broken up to each reading: by a gap, or by what was left out before it."""
    widest = GAP * median(series.width_s) if series.width_s else 0.0
    found = [0]
    for index, (before, end) in enumerate(pairwise(series.time_s)):
        width = series.width_s[index + 1]
        gap = width > widest or end - width > before + _OVERLAP_S
        found.append(found[-1] + (gap or index in left_out))
    return found


def _left_out(series: Throughput, left_out: Sequence[LeftOut], per: str, since: str) -> Iterator[Row]:
    """Marks of readings that cannot be true, no higher than a little above the others."""
    places, factor = {one.index for one in left_out}, PERIODS[per]
    top = max((rate for index, rate in enumerate(series.rate) if index not in places), default=0.0) * _ABOVE
    for one in left_out[:_LEFT_OUT_SHOWN]:
        at, value = series.time_s[one.index], series.rate[one.index]
        said = f"left out: {value * factor:.4g} per {per}, {at:.5g} s after {since}: {one.reason}"
        height = _rounded(max(min(value, top), 0.0), factor)
        yield {"kind": "left out", "from": _rounded(at), "v": height, "said": said}


def _areas(known: Mapping[str, Course]) -> list[Row]:
    """Run and wait in percent; of a long trial where either is lowest or highest."""
    if "run" not in known:
        return []
    run, wait = known["run"], known.get("wait")
    waited = wait.share if wait is not None else [None] * len(run.share)
    extremes = {*_extremes(run.share, _SHARES // 2), *_extremes(waited, _SHARES // 2)}
    places = [place for place in sorted(extremes) if run.share[place] is not None]
    return _stepped(run, places, lambda place: {"run": _percent(run.share[place]), "wait": _percent(waited[place])})


def _line(course: Course) -> list[Row]:
    return _stepped(course, _extremes(course.share, _LINES), lambda place: {"v": _percent(course.share[place])})


def _extremes(shares: Sequence[float | None], most: int) -> list[int]:
    """Places of the lowest and highest; where nothing is known belongs to neither."""
    there = [place for place, share in enumerate(shares) if share is not None]
    return [there[index] for index in kept([shares[place] or 0.0 for place in there], most)]


def _stepped(course: Course, places: Sequence[int], figures: Callable[[int], Row]) -> list[Row]:
    """Rows at the ends of intervals, one at the start of each unbroken stretch, and an empty one after it."""
    rows: list[Row] = []
    before: int | None = None
    for place in places:
        drawn = figures(place)
        if before is None or any(course.share[between] is None for between in range(before + 1, place)):
            if before is not None:
                rows.append({"t": rows[-1]["t"], **dict.fromkeys(drawn)})
            rows.append({"t": _rounded(max(course.end_s[place] - course.width_s[place], 0.0)), **drawn})
        rows.append({"t": _rounded(course.end_s[place]), **drawn})
        before = place
    return rows


def _percent(share: float | None) -> float | None:
    return None if share is None else round(share * 100, 2)


def _rounded(value: float | None, factor: float = 1.0) -> float | None:
    return None if value is None else float(f"{value * factor:.{_DIGITS}g}")
