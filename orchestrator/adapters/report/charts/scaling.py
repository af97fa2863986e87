"""How throughput grows: what was measured, the fitted law, and growth in proportion."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import altair as alt
import numpy as np

from orchestrator.adapters.report.charts.frame import FIGURES, LABEL_PX, Room, framed, inline, x_at
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.charts.rows import figures_layer, slug
from orchestrator.adapters.report.document.numbers import (
    NO_INTERVAL,
    UNAVAILABLE,
    figures,
    percent,
    rates,
    whole,
)
from orchestrator.adapters.report.document.parts import Chart, Table
from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.scaling import laws
from orchestrator.core.verdict.scaling.results import FittedLaw, LawName, Point, Scaling
from orchestrator.core.verdict.words import number
from orchestrator.units import PERIODS, format_percent

_PLOT_PX = 260
_CURVE_POINTS = 80
#: So far above the largest figure, so that labels find room.
_ABOVE = 1.16
#: Of the plot on the narrowest screen, and of a letter of a label, px.
_NARROWEST_PLOT_PX = 220
_LETTER_PX = 6.5
#: Where along a line its name stands when there is no room beyond its end.
_WITHIN = 0.75
#: An interval that reaches further than this many times the largest mean ends at the edge.
_FURTHEST = 1.6
_LAWS: Mapping[LawName, str] = {
    "proportional": "in proportion",
    "amdahl": "Amdahl's law",
    "gustafson": "Gustafson's law",
    "universal": "universal scalability law",
}
_SIZES = {"threads": "threads", "vcpus": "vCPUs", "both": "vCPUs, each with a thread"}
_UNITS = {"threads": "thread", "vcpus": "vCPU", "both": "vCPU"}


def scaling_chart(scaling: Scaling, per: str) -> Chart:
    """Throughput over size, both from zero, with the law that was chosen and the line of proportional growth.

    Args:
        scaling: of one workload.
        per: period of its rates.
    """
    curve = _Curve(scaling, per)
    room = Room(left=16 + 7 * len(number(curve.top)), right=16, top=34, bottom=42)
    return Chart(
        id=_id(scaling),
        title=_title(scaling, per),
        alternative=_alternative(scaling, per),
        spec=framed(curve.layers(), _PLOT_PX, room),
        height_px=room.around(_PLOT_PX),
        table=_table(scaling, per),
    )


class _Curve:
    """What is drawn of one scaling, in the unit of its axes."""

    def __init__(self, scaling: Scaling, per: str) -> None:
        self.scaling, self.per, self.factor = scaling, per, PERIODS[per]
        points = scaling.points
        self.largest = max(point.size for point in points)
        mean = max(point.throughput_per_s for point in points) * self.factor
        highs = [point.high * self.factor for point in points if point.high is not None]
        self.top = min(max([mean, *highs]), mean * _FURTHEST) * _ABOVE or 1.0
        self.law = next((law for law in scaling.laws if law.law == scaling.law), None)

    @property
    def each(self) -> float:
        """Throughput of one thread or vCPU, in the unit of the axis: by the law, else that of the smallest measured."""
        first = self.scaling.points[0]
        return (self.law.per_unit if self.law is not None else first.throughput_per_s / first.size) * self.factor

    def layers(self) -> Iterator[alt.Chart]:
        """Lines below, points above."""
        yield from self._line("proportional", self._proportional(), "plot-idle", [4, 3])
        if self.law is not None and self.law.law != "proportional":
            yield from self._line("law", self._fitted(self.law), "plot-law", [])
        yield from self._points()
        yield from self._labels()

    def _x(self, field: str = "size") -> alt.X:
        measured = sorted({point.size for point in self.scaling.points})
        axis = alt.Axis(values=[0, *measured], format="d", title=_SIZES[self.scaling.over], labelOverlap="greedy")
        return alt.X(f"{field}:Q", axis=axis, scale=alt.Scale(domain=[0, self.largest * 1.04], nice=False))

    def _y(self, field: str = "rate") -> alt.Y:
        axis = alt.Axis(
            format=FIGURES,
            tickCount=5,
            title=f"operations per {self.per}",
            titleAngle=0,
            titleAlign="left",
            titleAnchor="end",
            titleX=0,
            titleY=-18,
            titleBaseline="middle",
        )
        return alt.Y(f"{field}:Q", axis=axis, scale=alt.Scale(domain=[0, self.top], nice=False))

    def _proportional(self) -> list[dict[str, float]]:
        """From the origin as far as the plot reaches."""
        end = min(float(self.largest), self.top / self.each) if self.each > 0 else float(self.largest)
        return [{"size": 0.0, "rate": 0.0}, {"size": end, "rate": end * self.each}]

    def _fitted(self, law: FittedLaw) -> list[dict[str, float]]:
        """The law from one to the largest size that was measured: no further than the points reach."""
        sizes = np.linspace(min(1.0, self.largest), self.largest, _CURVE_POINTS)
        speed_up = (
            laws.gustafson(sizes, law.sigma or 0.0)
            if law.law == "gustafson"
            else laws.universal(sizes, law.sigma or 0.0, law.kappa or 0.0)
        )
        return [
            {"size": float(size), "rate": float(speed) * law.per_unit * self.factor}
            for size, speed in zip(sizes, speed_up, strict=True)
        ]

    def _line(self, name: str, rows: list[dict[str, float]], colour: str, dash: list[float]) -> Iterator[alt.Chart]:
        yield (
            inline(rows, name)
            .mark_line(color=token(colour), strokeWidth=2, strokeDash=dash, clip=True, aria=False)
            .encode(x=self._x(), y=self._y())
        )

    def _points(self) -> Iterator[alt.Chart]:
        rows = [self._point(point) for point in self.scaling.points]
        bounded = [row for row in rows if row["low"] is not None]
        told = alt.Tooltip("said:N")
        if bounded:
            yield (
                inline(bounded, "intervals")
                .mark_rule(strokeWidth=4, color=token("plot-mean"), opacity=1, clip=True, aria=False)
                .encode(x=self._x(), y=self._y("low"), y2=alt.Y2("high:Q"), tooltip=told)
            )
        yield (
            inline(rows, "points")
            .mark_point(
                shape="diamond",
                filled=True,
                size=100,
                opacity=1,
                color=token("plot-mean"),
            )
            .encode(x=self._x(), y=self._y(), tooltip=told, description=alt.Description("said:N"))
        )

    def _point(self, point: Point) -> dict[str, Any]:
        return {
            "cell": point.cell,
            "size": point.size,
            "per_s": point.throughput_per_s,
            "rate": point.throughput_per_s * self.factor,
            "low": None if point.low is None or point.high is None else point.low * self.factor,
            "high": None if point.low is None or point.high is None else point.high * self.factor,
            "said": _point_said(self.scaling, point, self.per),
        }

    def _labels(self) -> Iterator[alt.Chart]:
        """Words at the ends of the lines, where neither of them runs on the narrowest screen."""
        end, words = self._proportional()[-1], "in proportion"
        within = {axis: _WITHIN * place for axis, place in end.items()}
        roomy = end["size"] < self.largest - self._covered(words)
        beside = {"align": "left", "dx": 8, "dy": 10} if roomy else {"align": "right", "dx": -6, "dy": -9}
        yield self._words("proportional_words", (end if roomy else within) | {"text": words}, "soft", beside)
        if self.law is not None and self.law.law != "proportional":
            curve, words = self._fitted(self.law), _LAWS[self.law.law]
            first = self.largest - self._covered(words)
            lowest = min(at["rate"] for at in curve if at["size"] >= first)
            below = {"align": "left", "dx": 6, "dy": 16}
            yield self._words("law_words", {"size": first, "rate": lowest, "text": words}, "plot-law", below)
        yield from _key()

    def _covered(self, words: str) -> float:
        """How much of the axis of sizes words take on the narrowest screen."""
        return self.largest * len(words) * _LETTER_PX / _NARROWEST_PLOT_PX

    def _words(self, name: str, row: Mapping[str, Any], colour: str, beside: Mapping[str, Any]) -> alt.Chart:
        layer: alt.Chart = (
            inline([row], name)
            .mark_text(baseline="middle", fontSize=LABEL_PX, color=token(colour), aria=False, **beside)
            .encode(x=self._x(), y=self._y(), text=alt.Text("text:N"))
        )
        return layer


def _key() -> Iterator[alt.Chart]:
    """What the points are, at the right above the plot."""
    one = [{"text": "mean, interval", "y": -18}]
    yield (
        inline(one, "key_sign")
        .mark_point(shape="diamond", filled=True, size=70, opacity=1, color=token("plot-mean"), aria=False)
        .encode(x=x_at(alt.ExprRef("width - 81")), y=alt.Y("y:Q", scale=None))
    )
    yield figures_layer(one, name="key_words", small=True)


def _id(scaling: Scaling) -> str:
    over = {
        "threads": f"threads-{slug(scaling.shape or '')}",
        "vcpus": f"vcpus-t{scaling.threads}",
        "both": "both",
    }[scaling.over]
    return f"scaling-{slug(scaling.workload)}-{over}"


def _title(scaling: Scaling, per: str) -> str:
    over = {
        "threads": f"over threads on shape {safe(scaling.shape or '', 60)}",
        "vcpus": f"over vCPUs with {scaling.threads} thread{'' if scaling.threads == 1 else 's'}",
        "both": "over vCPUs, each with a thread",
    }[scaling.over]
    return f"Throughput of {safe(scaling.workload, 60)} {over}, operations per {per}"


def _point_said(scaling: Scaling, point: Point, per: str) -> str:
    factor, unit = PERIODS[per], _UNITS[scaling.over]
    bounds = "no interval"
    if point.low is not None and point.high is not None:
        bounds = f"interval {number(point.low * factor)} to {number(point.high * factor)}"
    text = f"{point.size} {unit}{'' if point.size == 1 else 's'}: {number(point.throughput_per_s * factor)} per {per}"
    text += f" ({bounds}), for each {unit} {format_percent(point.efficiency, 0)} of the smallest size's"
    return text if point.fitted is None else f"{text}; by the law {number(point.fitted * factor)}"


def _alternative(scaling: Scaling, per: str) -> str:
    points = "; ".join(_point_said(scaling, point, per) for point in scaling.points)
    law = "" if scaling.law is None else ", the curve of the law,"
    lines = f"Points with intervals{law} and a line of growth in proportion, both axes from zero."
    # The sentence has the reason only where laws were tried, and a chart may be all that somebody is given.
    why = "" if scaling.law is not None or scaling.laws else f" No law is fitted: {safe(scaling.why_no_law or '')}."
    return f"{safe(scaling.sentence, 1000)}{why} {lines} {points}."


def _table(scaling: Scaling, per: str) -> Table:
    unit, factor, points = f"per {per}", PERIODS[per], scaling.points
    columns = (
        figures(_SIZES[scaling.over]),
        figures("throughput", unit),
        figures("from", unit),
        figures("to", unit),
        *([figures("by the law", unit)] if scaling.law is not None else []),
        figures(f"for each {_UNITS[scaling.over]}, of the smallest size's", "%"),
    )
    parts: Sequence[tuple[Any, ...]] = [
        *zip(
            points,
            rates([point.throughput_per_s for point in points], factor),
            rates([point.low for point in points], factor, NO_INTERVAL),
            rates([point.high for point in points], factor, NO_INTERVAL),
            *([rates([point.fitted for point in points], factor, UNAVAILABLE)] if scaling.law is not None else []),
            strict=True,
        )
    ]
    rows = tuple((whole(point.size), *found, percent(point.efficiency)) for point, *found in parts)
    return Table("Throughput over size", columns, rows)
