"""A trial part by part: the figures of its chart as a table that is short however long the trial was."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from orchestrator.adapters.report.document.parts import Column, Number, Table
from orchestrator.core.measure.cleaning import clean
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import column
from orchestrator.engine.courses import Course, TrialCourse
from orchestrator.units import PERIODS

#: Parts of the warm-up, of the steady window, and of a trial that has none.
_OF_WARM_UP, _OF_WINDOW, _OF_ALL = 2, 6, 8
_SHORTEST_S = 1e-3

#: From, to, and what it is a part of.
_Part = tuple[float, float, str]


def trial_table(record: TrialRecord, course: TrialCourse, per: str, since: str, called: str) -> Table:
    """Lowest, mean and highest throughput and the mean shares in each part of a trial.

    Args:
        record: of the trial.
        course: its series.
        per: period of the rates.
        since: what the times count from.
        called: what it is: ``Trial``, ``Reading``.
    """
    parts = [part for part in _parts(record, course) if part[1] - part[0] > _SHORTEST_S]
    within = _rates(course.throughput, parts)
    shares = [_shares(share, parts) for share in course.shares]
    rates = [_figures([each[which] * PERIODS[per] for each in within]) for which in range(3)]
    rows = [
        (what, _seconds(start), _seconds(end), *figures)
        for (start, end, what), *figures in zip(parts, *rates, *shares, strict=True)
    ]
    lowest_to_highest = [Column(name, f"operations per {per}", figures=True) for name in ("lowest", "mean", "highest")]
    return Table(
        caption=f"{called} {record.number} part by part",
        columns=(
            Column("part of"),
            *(Column(name, f"s after {since}", figures=True) for name in ("from", "to")),
            *lowest_to_highest,
            *(Column(share.what, "%", figures=True) for share in course.shares),
        ),
        rows=tuple(rows),
    )


def _parts(record: TrialRecord, course: TrialCourse) -> Iterator[_Part]:
    """Even parts, none of which lies across an end of the window."""
    ends = [course.throughput.time_s[-1:], *(share.end_s[-1:] for share in course.shares)]
    last = max((end for one in ends for end in one), default=0.0)
    window = record.summary.window if record.summary is not None else None
    if window is None:
        yield from _even(0.0, last, _OF_ALL, "no steady window")
        return
    yield from _even(0.0, window.start_s, _OF_WARM_UP, "warm-up")
    yield from _even(window.start_s, window.end_s, _OF_WINDOW, "steady window")
    yield from _even(window.end_s, last, 1, "after the window")


def _even(start: float, end: float, parts: int, what: str) -> Iterator[_Part]:
    width = (end - start) / parts
    for number in range(parts):
        yield start + number * width, start + (number + 1) * width, what


def _rates(series: Throughput, parts: Sequence[_Part]) -> list[tuple[float, float, float]]:
    """Lowest, mean and highest of the readings that belong to each part by their middles; NaN where there is none.

    Readings that cannot be true are not among them.
    """
    rates, widths = clean(series.rate).values, np.asarray(series.width_s)
    middles = np.asarray(series.time_s) - widths / 2
    found = []
    for start, end, _ in parts:
        inside = (start <= middles) & (middles < end) & ~np.isnan(rates)
        there, lengths = rates[inside], widths[inside]
        if not len(there):
            found.append((math.nan, math.nan, math.nan))
            continue
        mean = sum((there * lengths).tolist()) / sum(lengths.tolist())
        found.append((float(there.min()), mean, float(there.max())))
    return found


def _figures(values: Sequence[float]) -> list[Number]:
    known = iter(column([value for value in values if not math.isnan(value)]))
    return [Number("?", None) if math.isnan(value) else Number(next(known), value) for value in values]


def _seconds(time_s: float) -> Number:
    return Number(f"{time_s:.1f}", time_s)


def _shares(course: Course, parts: Sequence[_Part]) -> list[Number]:
    """The mean share in percent of what is known of each part."""
    ends, shares = np.asarray(course.end_s), np.array(course.share, dtype=float)  # what is not known becomes NaN
    starts, there = ends - np.asarray(course.width_s), ~np.isnan(shares)
    found = []
    for start, end, _ in parts:
        overlap = np.minimum(ends, end) - np.maximum(starts, start)
        known = (overlap > 0) & there
        percent = float(np.average(shares[known], weights=overlap[known])) * 100 if known.any() else None
        found.append(Number("?" if percent is None else f"{percent:.1f}", percent))
    return found
