"""Throughput of one workload's cells: every trial, the mean over trials, and its interval."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from typing import Any

import altair as alt

from orchestrator.adapters.report.charts.frame import inline
from orchestrator.adapters.report.charts.means import CROSS, Axis, Mean, Sign, axis_for, key, means_layers
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.charts.rows import ROOM, Line, Row, Rows, bars_of, lay_out, slug
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, figures, rates, text, whole
from orchestrator.adapters.report.document.parts import Cell, Chart, Table
from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.words import capital, column, count, listed, number
from orchestrator.units import PERIODS, format_percent

#: In the text for whoever does not see the chart, more shapes than these under one load are told by their extremes.
_ALL_SAID = 6
_NAME = 60


@dataclass(frozen=True)
class TrialPoint:
    """One trial.

    Attributes:
        cell: id of its cell.
        trial: its id.
        number, block: which it is; no block where readings were not taken in blocks.
        per_s: mean over its window, operations per second; ``None`` where it gave none.
        low, high: interval of that, where there is one.
        steady: whether it counts: what never became steady is shown apart.
    """

    cell: str
    trial: str
    number: int
    block: int | None
    per_s: float | None
    low: float | None
    high: float | None
    steady: bool


def throughput_chart(  # noqa: PLR0913, PLR0917 - what is drawn, and how it is to be read
    workload: str,
    cells: Sequence[CellEstimate],
    trials: Sequence[TrialPoint],
    per: str,
    recommended: Collection[str],
    confidence: float,
) -> Chart:
    """Throughput by shape and threads, from zero.

    Args:
        workload: its name.
        cells: those of this workload, one at least.
        trials: of these cells; those of others, and those without a rate, are left out.
        per: period of the rates.
        recommended: ids of cells whose shape is recommended for their load.
        confidence: of the intervals.
    """
    rows = lay_out([Line(c.id, c.shape, c.vcpus, c.threads, bars_of(c, cells)) for c in cells])
    shown = _Shown(rows, {c.id: c for c in cells}, tuple(trials), per, frozenset(recommended), confidence)
    return Chart(
        id=f"throughput-{slug(workload)}",
        title=f"Throughput of {safe(workload)}, operations per {per}",
        alternative=shown.alternative(workload),
        spec=rows.framed(shown.layers(), ROOM),
        height_px=ROOM.around(rows.height_px),
        table=_table(shown),
    )


@dataclass(frozen=True)
class _Shown:
    """What is shown, and the words for it."""

    rows: Rows
    cells: Mapping[str, CellEstimate]
    given: tuple[TrialPoint, ...]
    per: str
    chosen: frozenset[str]
    confidence: float

    @cached_property
    def factor(self) -> float:
        return PERIODS[self.per]

    @cached_property
    def trials(self) -> dict[str, list[tuple[TrialPoint, float]]]:
        """Trials that gave a rate with that rate, by cell."""
        found: dict[str, list[tuple[TrialPoint, float]]] = {row.line.cell: [] for row in self.rows.rows}
        for trial in self.given:
            if trial.cell in found and trial.per_s is not None:
                found[trial.cell].append((trial, trial.per_s))
        return found

    def figure(self, per_s: float) -> str:
        return number(per_s * self.factor)

    def span(self, low: float | None, high: float | None) -> str | None:
        return None if low is None or high is None else f"{self.figure(low)} to {self.figure(high)}"

    def cell_said(self, cell: CellEstimate) -> str:
        """``5764 a minute (95 % interval 5564 to 5971), three trials, recommended``."""
        span = self.span(cell.low, cell.high)
        bounds = "no interval" if span is None else f"{format_percent(self.confidence)} interval {span}"
        chosen = ", recommended" if cell.id in self.chosen else ""
        mean = f"{self.figure(cell.throughput_per_s)} per {self.per}"
        return f"{mean} ({bounds}), {count(cell.trials, 'trial')}{chosen}"

    def trial_said(self, row: Row, trial: TrialPoint, per_s: float) -> str:
        """``trial 7, block 2: 5650 a minute (5600 to 5700); two, 2 threads``."""
        block = "" if trial.block is None else f", block {trial.block}"
        span = self.span(trial.low, trial.high)
        bounds = "" if span is None else f" ({span})"
        uncounted = "" if trial.steady else ", never steady, does not count"
        mean = f"{self.figure(per_s)} per {self.per}{bounds}"
        return f"trial {trial.number}{block}: {mean}{uncounted}; {row.line.named}"

    def layers(self) -> list[alt.Chart]:
        """All marks, the names beside them, and the key."""
        means = [self._mean(row) for row in self.rows.rows]
        readings = [per_s * self.factor for found in self.trials.values() for _, per_s in found]
        axis = axis_for(means, f"operations per {self.per}", readings)
        counted, uncounted = self._points(steady=True), self._points(steady=False)
        unsaid = self.chosen & set(self.cells) and not self.rows.roomy  # the word stands beside its sign where it can
        signs = [
            *([Sign("circle", "plot-point", "a trial")] if counted else []),
            Sign("diamond", "plot-mean", f"mean, {format_percent(self.confidence)} interval"),
            *([Sign("triangle-right", "plot-chosen", "recommended")] if unsaid else []),
            *([Sign(CROSS, "plot-point", "not counted")] if uncounted else []),
        ]
        return [
            *means_layers(means, column([mean.mean for mean in means]), self.rows, axis),
            *_points_layer("trials", counted, axis, {"shape": "circle", "size": 30, "strokeWidth": 1.2}),
            *_points_layer("uncounted", uncounted, axis, {"shape": CROSS, "size": 40, "strokeWidth": 1.5}),
            *self.rows.layers(self.chosen),
            *key(signs, f"per {self.per}"),
        ]

    def _mean(self, row: Row) -> Mean:
        cell = self.cells[row.line.cell]
        mean, low, high = cell.throughput_per_s, cell.low, cell.high
        return Mean(
            cell=cell.id,
            mean=mean * self.factor,
            low=None if low is None else low * self.factor,
            high=None if high is None else high * self.factor,
            said=f"{row.line.named}: mean {self.cell_said(cell)}",
            chosen=cell.id in self.chosen,
            raw={"per_s": mean, "low_per_s": low, "high_per_s": high},
        )

    def _points(self, *, steady: bool) -> list[dict[str, Any]]:
        """Trials below the mean of their row, lifted in turn so that equal ones are told apart."""
        drop, spread = (9.0, 3.0) if self.rows.roomy else (7.0, 1.5)
        return [
            {
                "cell": trial.cell,
                "trial": trial.trial,
                "number": trial.number,
                "per_s": per_s,
                "rate": per_s * self.factor,
                "y": row.middle_px + drop + (place % 3 - 1) * spread,
                "said": self.trial_said(row, trial, per_s),
            }
            for row in self.rows.rows
            for place, (trial, per_s) in enumerate(self.trials[row.line.cell])
            if trial.steady is steady
        ]

    def alternative(self, workload: str) -> str:
        """What is to be seen, in sentences."""
        trials = sum(len(found) for found in self.trials.values())
        told = [
            f"Throughput of {safe(workload)} in operations per {self.per}, from zero: a row for each shape, by "
            f"threads; the mean of each with its interval, and {count(trials, 'trial')} as points."
        ]
        for threads, alike in groupby(self.rows.rows, key=lambda row: row.line.threads):
            these = [self.cells[row.line.cell] for row in alike]
            told.append(f"{capital(count(threads, 'thread'))}: {self._load_said(these)}.")
        return " ".join(told)

    def _load_said(self, cells: Sequence[CellEstimate]) -> str:
        if len(cells) <= _ALL_SAID:
            return "; ".join(f"{safe(cell.shape, _NAME)} {self.cell_said(cell)}" for cell in cells)
        ordered = sorted(cells, key=lambda cell: cell.throughput_per_s)
        ends = [f"{self.figure(c.throughput_per_s)} on {safe(c.shape, _NAME)}" for c in (ordered[0], ordered[-1])]
        chosen = [f"{safe(c.shape, _NAME)} {self.cell_said(c)}" for c in cells if c.id in self.chosen]
        return "; ".join([f"{count(len(cells), 'shape')} between {listed(ends)}", *chosen])


def _points_layer(name: str, rows: Sequence[Mapping[str, Any]], axis: Axis, look: Mapping[str, Any]) -> list[alt.Chart]:
    if not rows:
        return []
    return [
        inline(rows, name)
        .mark_point(filled=False, stroke=token("plot-point"), opacity=1, **look)
        .encode(
            x=axis.x("rate"),
            y=alt.Y("y:Q", scale=None),
            description=alt.Description("said:N"),
            tooltip=alt.Tooltip("said:N"),
        )
    ]


def _table(shown: _Shown) -> Table:
    """A row for each mean, followed by one for each of its trials."""
    unit = f"per {shown.per}"
    columns = (
        text("shape"),
        figures("threads"),
        text("of"),
        figures("block"),
        figures("throughput", unit),
        figures("from", unit),
        figures("to", unit),
        text("standing"),
    )
    heads: list[tuple[Cell, ...]] = []
    measured: list[tuple[float, float | None, float | None]] = []
    standing: list[str] = []
    for row in shown.rows.rows:
        cell = shown.cells[row.line.cell]
        heads.append((cell.shape, whole(cell.threads), f"mean of {count(cell.trials, 'trial')}", ""))
        measured.append((cell.throughput_per_s, cell.low, cell.high))
        standing.append("recommended" if cell.id in shown.chosen else "")
        for trial, per_s in shown.trials[cell.id]:
            block: Cell = "" if trial.block is None else whole(trial.block)
            heads.append((cell.shape, whole(cell.threads), f"trial {trial.number}", block))
            measured.append((per_s, trial.low, trial.high))
            standing.append("" if trial.steady else "not counted")
    means, lows, highs = (rates([one[at] for one in measured], shown.factor, NO_INTERVAL) for at in range(3))
    rows = tuple(
        (*head, m, lo, hi, end) for head, m, lo, hi, end in zip(heads, means, lows, highs, standing, strict=True)
    )
    marked = frozenset(at for at, words in enumerate(standing) if words == "recommended")
    note = (
        f"From, to: interval at {format_percent(shown.confidence)} confidence, of a mean over trials or of one trial."
    )
    return Table("Throughput of cells and trials", columns, rows, marked, note)
