"""CPU time of an operation in each cell of one workload."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from orchestrator.adapters.report.charts.frame import Room
from orchestrator.adapters.report.charts.means import Mean, Sign, axis_for, key, means_layers
from orchestrator.adapters.report.charts.rows import Line, Row, lay_out, slug, vcpus_text
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, Times, figures, text, whole
from orchestrator.adapters.report.document.parts import Chart, Table
from orchestrator.adapters.report.plain import safe
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.demand.results import Demand
from orchestrator.core.verdict.demand.usage import cost, costs
from orchestrator.core.verdict.words import capital, count, in_words
from orchestrator.units import format_percent

_ROOM = Room(left=0, right=1, top=34, bottom=42)
_ALL_SAID = 8
_UNITS = {"s": "seconds", "ms": "milliseconds", "µs": "microseconds"}


def cpu_cost_chart(workload: str, demands: Sequence[Demand], confidence: float) -> Chart | None:
    """What an operation costs in CPU time, by shape and threads, from zero; cells without a known cost are left out.

    Args:
        workload: its name.
        demands: of its cells.
        confidence: of the intervals.

    Returns:
        ``None`` where no cost is known.
    """
    known = {demand.cell: (demand, demand.cpu_s) for demand in demands if demand.cpu_s is not None}
    if not known:
        return None
    rows = lay_out([Line(d.cell, d.shape, d.vcpus, d.threads) for d, _ in known.values()])
    times = Times([cpu_s.mean for _, cpu_s in known.values()])
    ordered = [known[row.line.cell] for row in rows.rows]
    found = [_mean(row, *known[row.line.cell], times, confidence) for row in rows.rows]
    below = {d.cell: f"{'least, ' if d.leanest == d.cell else ''}{vcpus_text(d.vcpus)}" for d, _ in known.values()}
    written = [spent.text for spent in times.column([cpu_s.mean for _, cpu_s in ordered])]
    layers = [
        *means_layers(found, written, rows, axis_for(found, f"CPU time, {times.unit}")),
        *rows.layers((), below),
        *key([Sign("diamond", "plot-mean", f"mean, {format_percent(confidence)} interval")], times.unit),
    ]
    return Chart(
        id=f"cpu-{slug(workload)}",
        title=f"CPU time of an operation of {safe(workload)}, {_UNITS[times.unit]}",
        alternative=_alternative(ordered, workload, confidence),
        spec=rows.framed(layers, _ROOM),
        height_px=_ROOM.around(rows.height_px),
        table=_table(ordered, times, confidence),
    )


def _mean(row: Row, demand: Demand, cpu_s: Interval, times: Times, confidence: float) -> Mean:
    least = ", the least of all" if demand.leanest == demand.cell else ""
    return Mean(
        cell=demand.cell,
        mean=cpu_s.mean * times.factor,
        low=None if cpu_s.low is None else cpu_s.low * times.factor,
        high=None if cpu_s.high is None else cpu_s.high * times.factor,
        said=f"{row.line.named}: {_said(cpu_s, confidence)}{least}",
        chosen=False,
        raw={"cpu_s": cpu_s.mean, "low_s": cpu_s.low, "high_s": cpu_s.high},
    )


def _said(cpu_s: Interval, confidence: float) -> str:
    """``8.33 ms of CPU time (95 % interval 8.04 ms to 8.62 ms)``."""
    if cpu_s.low is not None and cpu_s.high is not None:
        mean, low, high = costs([cpu_s.mean, cpu_s.low, cpu_s.high])
        return f"{mean} of CPU time ({format_percent(confidence)} interval {low} to {high})"
    return f"{cost(cpu_s.mean)} of CPU time (no interval)"


def _alternative(known: Sequence[tuple[Demand, Interval]], workload: str, confidence: float) -> str:
    told = [f"CPU time of an operation of {safe(workload)}, from zero: a row for each shape, by threads."]
    for threads, alike in groupby(known, key=lambda one: one[0].threads):
        these = [*alike]
        cells = [f"{safe(demand.shape, 60)} {_said(cpu_s, confidence)}" for demand, cpu_s in these[:_ALL_SAID]]
        more = f"; and {in_words(len(these) - _ALL_SAID)} more" if len(these) > _ALL_SAID else ""
        told.append(f"{capital(count(threads, 'thread'))}: {'; '.join(cells)}{more}.")
    return " ".join(told)


def _table(known: Sequence[tuple[Demand, Interval]], times: Times, confidence: float) -> Table:
    columns = (
        text("shape"),
        figures("threads"),
        figures("trials"),
        figures("CPU time", times.unit),
        figures("from", times.unit),
        figures("to", times.unit),
    )
    spent = zip(
        times.column([cpu_s.mean for _, cpu_s in known]),
        times.column([cpu_s.low for _, cpu_s in known], NO_INTERVAL),
        times.column([cpu_s.high for _, cpu_s in known], NO_INTERVAL),
        strict=True,
    )
    rows = tuple(
        (demand.shape, whole(demand.threads), whole(demand.trials), *one)
        for (demand, _), one in zip(known, spent, strict=True)
    )
    note = f"From, to: interval of the mean over trials, at {format_percent(confidence)} confidence."
    return Table("CPU time of an operation", columns, rows, note=note)
