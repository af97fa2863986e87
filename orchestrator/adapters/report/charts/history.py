"""A cell through its runs: the mean of each, the level with its steps or drift, and what changed in between."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import altair as alt

from orchestrator.adapters.report.charts.frame import FIGURES, SMALL_PX, Room, framed, inline, x2_at, x_at, y2_at, y_at
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.charts.rows import slug
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, figures, rates, text, whole
from orchestrator.adapters.report.document.parts import Cell, Chart, Table
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import minute
from orchestrator.core.verdict.history.results import CellHistory, Point, Step
from orchestrator.core.verdict.words import count, number, rate, signed
from orchestrator.units import PERIODS

_ROOM = Room(left=60, right=16, top=68, bottom=46)
_PLOT_PX = 220
#: Signs of what changed stand in a strip of their own below the plot.
_STRIP_PX = 26
#: From zero, where the lowest is less than this share of the highest: there is room for all of it.
_FROM_ZERO = 0.5
#: The axis spans this share of the highest at least, so that noise of a permille does not fill it.
_LEAST_SPREAD = 0.02
_STEPS = 5
_LINE_PX = 14
#: Numbers of changes are written where they are so far apart; the signs are always there.
_NUMBER_PX = 15
#: More runs have smaller signs.
_MANY = 40
#: What the shade about a step is, at the right above the plot, and about how wide these words are.
_PLACES, _PLACES_PX = "where a step may begin", 118
#: Two strokes across an axis that does not begin at zero, as the path of a mark.
_BREAK = "M-1,0.1L1,-0.9M-1,0.9L1,-0.1"
_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d")
_SAME = 1e-9


def history_chart(history: CellHistory, per: str) -> Chart:
    """A cell's throughput from run to run, at even steps.

    Args:
        history: of the cell.
        per: period of the rates.
    """
    drawn = _Drawn(history, per)
    layers = [*drawn.steps(), *drawn.level(), *drawn.runs(), *drawn.changes(), *drawn.words()]
    about = (history.guest, history.guest_kind, str(history.memory), *sorted(history.files.values()))
    digest = hashlib.sha256("\n".join(about).encode()).hexdigest()[:6]
    return Chart(
        id=f"history-{slug(history.cell)}-{digest}",
        title=f"{safe(history.cell)} through {count(len(history.points), 'run')}, operations per {per}",
        alternative=drawn.alternative(),
        spec=framed(layers, _PLOT_PX + _STRIP_PX, _ROOM),
        height_px=_ROOM.around(_PLOT_PX + _STRIP_PX),
        table=_table(history, drawn.numbers, per),
    )


@dataclass(frozen=True)
class _Drawn:
    """What is drawn of a history, as rows with the unrounded figures they stand for."""

    history: CellHistory
    per: str

    @property
    def points(self) -> tuple[Point, ...]:
        return self.history.points

    @property
    def factor(self) -> float:
        return PERIODS[self.per]

    @property
    def places(self) -> Mapping[str, int]:
        """Where a run stands, by its id."""
        return {point.run: place for place, point in enumerate(self.points)}

    @property
    def numbers(self) -> Mapping[str, int]:
        """The number of what changed before a run, by the run's id."""
        changed = [point.run for point in self.points if point.changed]
        return {run: number for number, run in enumerate(changed, start=1)}

    @property
    def ends(self) -> tuple[float, float]:
        """The axis of rates: round figures about all that is drawn, from zero where that leaves it readable."""
        drawn = [end for p in self.points for end in (p.per_s, p.low, p.high, p.level_per_s) if end is not None]
        low, high = min(drawn) * self.factor, max(drawn) * self.factor
        if low < high * _FROM_ZERO or high <= 0:
            low = 0.0
        spread = max(high - low, high * _LEAST_SPREAD) or 1.0
        step = _round_step(spread / _STEPS)
        middle = (low + high) / 2
        below, above = (low, high) if low == 0 else (middle - spread / 2, middle + spread / 2)
        return max(math.floor(below / step) * step, 0.0), math.ceil(above / step) * step

    def x(self, field: str) -> alt.X:
        last = len(self.points) - 1
        axis = alt.Axis(
            values=[*range(last + 1)],
            labelExpr=f"{json.dumps(_dates(self.points))}[datum.value]",
            labelOverlap="greedy",
            labelSeparation=10,
            title="runs in order of time (UTC), at even steps",
            grid=False,
        )
        return alt.X(f"{field}:Q", axis=axis, scale=alt.Scale(domain=[-0.5, last + 0.5], nice=False))

    def y(self, field: str) -> alt.Y:
        axis = alt.Axis(
            title=f"operations per {self.per}",
            titleAngle=0,
            titleAlign="left",
            titleAnchor="end",
            titleBaseline="bottom",
            titleX=-_ROOM.left,
            titleY=-50,
            format=FIGURES,
            tickCount=_STEPS,
            domain=False,
            ticks=False,
        )
        return alt.Y(f"{field}:Q", axis=axis, scale=alt.Scale(domain=[*self.ends], nice=False, range=[_PLOT_PX, 0]))

    def steps(self) -> Iterator[alt.Chart]:
        """Each step between the runs where it is likeliest, and where else it may lie."""
        rows = [self._step(step) for step in self.history.steps]
        for place, row in enumerate(rows):
            row["line"] = 2 + _LINE_PX * (place % 2)  # names of neighbouring steps stand on two lines
        if wide := [row for row in rows if row["from"] < row["to"]]:
            shade = inline(wide, "step_places").mark_rect(color=token("plot-warm-up"), aria=False)
            yield shade.encode(x=self.x("from"), x2=alt.X2("to"), y=y_at(0), y2=y2_at(_PLOT_PX))
            named = inline([{"text": _PLACES}], "key_step_places").mark_text(
                align="right", baseline="bottom", fontSize=SMALL_PX, color=token("soft"), aria=False
            )
            box = inline([{}], "key_sign_step_places").mark_rect(color=token("plot-warm-up"), aria=False)
            yield named.encode(x=x_at("width"), y=y_at(-34), text=alt.Text("text:N"))
            left, right = (alt.ExprRef(f"width - {_PLACES_PX + px}") for px in (18, 4))
            yield box.encode(x=x_at(left), x2=x2_at(right), y=y_at(-46), y2=y2_at(-36))
        if rows:
            rule = inline(rows, "steps").mark_rule(color=token("plot-law"), strokeWidth=1.5, strokeDash=[5, 3])
            yield rule.encode(
                x=self.x("at"),
                y=y_at(0),
                y2=y2_at(_PLOT_PX),
                description=alt.Description("said:N"),
                tooltip=alt.Tooltip("said:N"),
            )
        for side in ("left", "right"):
            if words := [row for row in rows if row["align"] == side]:
                label = inline(words, f"step_words_{side}").mark_text(
                    align=side,
                    dx=5 if side == "left" else -5,
                    baseline="top",
                    fontSize=SMALL_PX,
                    color=token("plot-law"),
                    aria=False,
                )
                yield label.encode(x=self.x("at"), y=alt.Y("line:Q", scale=None), text=alt.Text("label:N"))

    def _step(self, step: Step) -> dict[str, Any]:
        at, earliest, latest = (self.places[run] - 0.5 for run in (step.run, step.earliest, step.latest))
        size = signed(step.ratio)
        between = f"{signed(step.low)} to {signed(step.high)}"
        return {
            "run": step.run,
            "ratio": step.ratio,
            "at": at,
            "from": earliest,
            "to": latest,
            "align": "left" if at < len(self.points) / 2 else "right",
            "label": f"step {size.replace('-', chr(0x2212))}",
            "said": f"step of {size} ({between}) before run {safe(self.points[self.places[step.run]].short)}",
        }

    def level(self) -> Iterator[alt.Chart]:
        """The level, in one piece from step to step; of too few runs, their mean, which is no level yet."""
        rows: list[dict[str, Any]] = []
        edges = [0, *sorted(self.places[step.run] for step in self.history.steps), len(self.points)]
        for piece, (first, end) in enumerate(pairwise(edges)):
            levels = [point.level_per_s * self.factor for point in self.points[first:end]]
            is_flat = max(levels) - min(levels) <= _SAME * max(levels)
            drawn = {first - 0.5: levels[0], end - 0.5: levels[0]} if is_flat else dict(enumerate(levels, start=first))
            rows += [{"piece": piece, "place": place, "level": level} for place, level in drawn.items()]
        dashes: dict[str, Any] = {"strokeDash": [2, 4]} if self.history.kind == "too few" else {}
        line = inline(rows, "level").mark_line(color=token("plot-law"), strokeWidth=2, aria=False, **dashes)
        yield line.encode(x=self.x("place"), y=self.y("level"), detail=alt.Detail("piece:N"))

    def runs(self) -> Iterator[alt.Chart]:
        """The mean of each run on its interval; hollow where the run is not finished."""
        rows = [self._run(place, point) for place, point in enumerate(self.points)]
        if bounded := [row for row in rows if row["low"] is not None]:
            rule = inline(bounded, "intervals").mark_rule(color=token("plot-mean"), strokeWidth=1.5, aria=False)
            yield rule.encode(x=self.x("place"), y=self.y("low"), y2=alt.Y2("high"))
        fill = alt.FillValue(token("paper"), condition={"test": "datum.state == 'done'", "value": token("plot-mean")})
        signs = inline(rows, "runs").mark_point(
            shape="circle",
            size=48 if len(rows) <= _MANY else 24,
            filled=True,
            opacity=1,
            stroke=token("plot-mean"),
            strokeWidth=1.5,
        )
        yield signs.encode(
            x=self.x("place"),
            y=self.y("rate"),
            fill=fill,
            description=alt.Description("said:N"),
            tooltip=alt.Tooltip("said:N"),
        )

    def _run(self, place: int, point: Point) -> dict[str, Any]:
        low, high = (None if end is None else end * self.factor for end in (point.low, point.high))
        bounds = "no interval" if low is None or high is None else f"{number(low)} to {number(high)}"
        state = "" if point.state == "done" else f", {point.state}"
        told = f"{rate(point.per_s, self.per)}, {bounds}, {count(point.trials, 'trial')}{state}"
        return {
            "run": point.run,
            "per_s": point.per_s,
            "state": point.state,
            "place": place,
            "rate": point.per_s * self.factor,
            "low": low,
            "high": high,
            "said": f"run {safe(point.short)}, {minute(point.started_utc)}: {told}",
        }

    def changes(self) -> Iterator[alt.Chart]:
        """A numbered sign between two runs where something of the surroundings changed."""
        rows: list[dict[str, Any]] = [
            {
                "run": run,
                "at": self.places[run] - 0.5,
                "number": number,
                "said": f"change {number}: {_sentences(self.points[self.places[run]])}",
            }
            for run, number in self.numbers.items()
        ]
        if not rows:
            return
        x = self.x("at")
        apart = min((after["at"] - before["at"] for before, after in pairwise(rows)), default=len(self.points))
        roomy = f"width * {apart} / {len(self.points)} > {_NUMBER_PX}"
        opacity = alt.OpacityValue(0, condition={"test": roomy, "value": 1})
        line = inline(rows, "change_lines").mark_rule(color=token("plot-idle"), strokeDash=[1, 3], aria=False)
        mark = inline(rows, "changes").mark_point(
            shape="triangle-up", size=50, filled=True, color=token("ink"), opacity=1
        )
        words = inline(rows, "change_numbers").mark_text(
            baseline="top", fontSize=SMALL_PX, color=token("ink"), aria=False
        )
        yield line.encode(x=x, y=y_at(0), y2=y2_at(_PLOT_PX + 4))
        yield mark.encode(
            x=x, y=y_at(_PLOT_PX + 7), description=alt.Description("said:N"), tooltip=alt.Tooltip("said:N")
        )
        yield words.encode(x=x, y=y_at(_PLOT_PX + 14), text=alt.Text("number:N"), opacity=opacity)

    def words(self) -> Iterator[alt.Chart]:
        """Where the axis begins if not at zero, and what the signs mean."""
        left = -_ROOM.left
        begin = self.ends[0]
        note = "axis from zero" if begin == 0 else f"axis from {number(begin)}, not from zero"
        style: dict[str, Any] = {"align": "left", "fontSize": SMALL_PX, "aria": False}
        said = inline([{"text": note}], "axis_note").mark_text(
            **style, baseline="bottom", color=token("soft" if begin == 0 else "doubt")
        )
        yield said.encode(x=x_at(left), y=y_at(-34), text=alt.Text("text:N"))
        if begin > 0:
            strokes = inline([{}], "axis_break").mark_point(
                shape=_BREAK, size=70, color=token("doubt"), strokeWidth=1.5, opacity=1, aria=False
            )
            yield strokes.encode(x=x_at(0), y=y_at(_PLOT_PX + _STRIP_PX / 2))
        unfinished = any(point.state != "done" for point in self.points)
        key = [
            ("circle", "plot-mean", "a run", 46),
            *([("hollow", "plot-mean", "not finished", 84)] if unfinished else []),
            ("stroke", "plot-law", "mean" if self.history.kind == "too few" else "level", 46),
            *([("triangle-up", "ink", "what changed", 0)] if self.numbers else []),
        ]
        at = left + 5
        for place, (shape, colour, meaning, width) in enumerate(key):
            sign = inline([{}], f"key_sign_{place}").mark_point(
                shape="circle" if shape == "hollow" else shape,
                size=60,
                filled=shape not in {"stroke", "hollow"},
                color=token(colour),
                strokeWidth=2 if shape == "stroke" else 1.5,
                opacity=1,
                aria=False,
            )
            named = inline([{"text": meaning}], f"key_words_{place}").mark_text(
                **style, baseline="middle", color=token("soft")
            )
            yield sign.encode(x=x_at(at), y=y_at(-18))
            yield named.encode(x=x_at(at + 9), y=y_at(-18), text=alt.Text("text:N"))
            at += width + 14

    def alternative(self) -> str:
        """What is to be seen, for whoever does not see it."""
        told = [p.per_s for p in self.points]
        spread = f"from {number(min(told) * self.factor)} to {rate(max(told), self.per)}"
        times = [minute(self.points[end].started_utc) for end in (0, -1)]
        when = times[0] if len(self.points) == 1 else f"{times[0]} to {times[1]} UTC"
        signs = [f"Change {n}: {_sentences(self.points[self.places[run]])}." for run, n in self.numbers.items()]
        begin = "zero" if self.ends[0] == 0 else f"{number(self.ends[0])}, not from zero"
        runs = f"{safe(self.history.cell)} in {count(len(self.points), 'run')}, {when}"
        what = f"The mean throughput of {runs}: {spread}; the axis is drawn from {begin}."
        return " ".join([what, *(safe(sentence) for sentence in self.history.answer), *signs])


def _round_step(size: float) -> float:
    """1, 2 or 5 times a power of ten, not less than a size."""
    power = 10.0 ** math.floor(math.log10(size))
    return next(each * power for each in (1, 2, 5, 10) if each * power >= size * (1 - _SAME))


def _dates(points: Sequence[Point]) -> list[str]:
    """What stands below each run: its date, or the time of day where all are of one day, to the second if need be."""
    known = [point.started_utc if _STAMP.match(point.started_utc) else "" for point in points]
    if len({utc[:10] for utc in known}) > 1:
        return [utc[:10] for utc in known]
    minutes = [utc[11:16] for utc in known]
    return minutes if len({*minutes}) == len(minutes) else [utc[11:19] for utc in known]


def _sentences(point: Point) -> str:
    return "; ".join(safe(upgrade.sentence) for upgrade in point.changed)


def _table(history: CellHistory, numbers: Mapping[str, int], per: str) -> Table:
    """A row a run, those that begin a step marked; what a cell was called only where its name changed."""
    points, factor = history.points, PERIODS[per]
    renamed = len({point.cell for point in points}) > 1
    means, lows, highs, levels = (
        rates([getattr(point, name) for point in points], factor, NO_INTERVAL)
        for name in ("per_s", "low", "high", "level_per_s")
    )
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            point.short,
            minute(point.started_utc),
            *measured,
            whole(point.trials),
            point.state,
            *((safe(point.cell),) if renamed else ()),
            f"{numbers[point.run]}: {_sentences(point)}" if point.changed else "",
        )
        for point, *measured in zip(points, means, lows, highs, levels, strict=True)
    )
    unit = f"per {per}"
    columns = (
        text("run"),
        text("began, UTC"),
        *(figures(name, unit) for name in ("throughput", "from", "to", "level")),
        figures("trials"),
        text("state"),
        *((text("called"),) if renamed else ()),
        text("changed before it"),
    )
    starts = {step.run for step in history.steps}
    return Table(
        f"{safe(history.cell)} through its runs",
        columns,
        rows,
        frozenset(at for at, point in enumerate(points) if point.run in starts),
        "From, to: of a run's mean, by the scatter of trials within runs. Level: what steps and drift make of it.",
    )
