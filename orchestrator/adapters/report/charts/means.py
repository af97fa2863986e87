"""Means with their intervals, one a row, from zero: how charts of cells draw them, and the key to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt

from orchestrator.adapters.report.charts.frame import FIGURES, SMALL_PX, inline, x2_at, x_at, y_at
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.charts.rows import Rows, figures_layer

#: Of the column of figures at the right.
FIGURES_PX = 76
#: An interval that reaches further than this many times the largest reading ends at the edge, with an arrow.
_FURTHEST = 1.5
#: A cross, as the path of a mark.
CROSS = "M-1,-1L1,1M-1,1L1,-1"


@dataclass(frozen=True)
class Mean:
    """A cell's mean, in the unit of its axis.

    Attributes:
        cell: id of the cell.
        mean: the figure.
        low, high: its interval, where there is one.
        said: all that in words.
        chosen: whether its cell is recommended.
        raw: unrounded figures in the unit of the store, kept with the mark.
    """

    cell: str
    mean: float
    low: float | None
    high: float | None
    said: str
    chosen: bool
    raw: Mapping[str, float | None]

    @property
    def half_width(self) -> str:
        """Half the width of the interval in percent of the mean: ``± 3.5 %``."""
        if self.low is None or self.high is None or self.mean == 0:
            return "no interval"
        half = (self.high - self.low) / 2 / self.mean
        return "± over 100 %" if half > 1 else f"± {half * 100:.1f} %"


@dataclass(frozen=True)
class Axis:
    """The axis from zero on which means lie, between the names and the column of figures.

    Attributes:
        top: its end.
        title: with the unit.
    """

    top: float
    title: str

    def x(self, name: str) -> alt.X:
        """The channel of a field on it."""
        ends = [alt.ExprRef("names"), alt.ExprRef(f"width - {FIGURES_PX}")]
        ticks = alt.ExprRef(f"max(2, floor((width - names - {FIGURES_PX}) / 60))")
        axis = alt.Axis(format=FIGURES, tickCount=ticks, title=self.title, labelSeparation=8)
        return alt.X(f"{name}:Q", axis=axis, scale=alt.Scale(domain=[0, self.top], range=ends, nice=False))


def axis_for(means: Sequence[Mean], title: str, readings: Sequence[float] = ()) -> Axis:
    """An axis that holds all means, readings and intervals; intervals that would squeeze all else are cut off."""
    largest = max([*readings, *(mean.mean for mean in means)])
    furthest = max([largest, *(mean.high for mean in means if mean.high is not None)])
    return Axis((min(furthest, largest * _FURTHEST) or 1.0) * 1.04, title)


def means_layers(means: Sequence[Mean], figures: Sequence[str], rows: Rows, axis: Axis) -> list[alt.Chart]:
    """Means, intervals and figures.

    Args:
        means: one a row, in the order of the rows.
        figures: the same, as they are written below each other.
        rows: where they lie.
        axis: on which.
    """
    lift = 7.0 if rows.roomy else 0.0
    drawn = [_row(mean, row.middle_px - lift, axis) for mean, row in zip(means, rows.rows, strict=True)]
    labels = [{"cell": one["cell"], "y": one["y"], "text": figure} for one, figure in zip(drawn, figures, strict=True)]
    layers = [*_marks(drawn, axis), figures_layer(labels, name="figures")]
    if rows.roomy:
        widths = [
            {"cell": mean.cell, "y": row.middle_px + 8, "text": mean.half_width}
            for mean, row in zip(means, rows.rows, strict=True)
        ]
        layers.append(figures_layer(widths, name="widths", small=True))
    return layers


def _row(mean: Mean, y: float, axis: Axis) -> dict[str, Any]:
    return {
        "cell": mean.cell,
        **mean.raw,
        "zero": 0,
        "mean": mean.mean,
        "low": mean.low,
        "high": None if mean.high is None else min(mean.high, axis.top),
        "beyond": mean.high is not None and mean.high > axis.top,
        "chosen": mean.chosen,
        "y": y,
        "said": mean.said,
    }


def _marks(drawn: Sequence[Mapping[str, Any]], axis: Axis) -> Iterator[alt.Chart]:
    bounded = [one for one in drawn if one["low"] is not None and one["high"] is not None]
    beyond = [one for one in bounded if one["beyond"]]
    y, told = alt.Y("y:Q", scale=None), alt.Tooltip("said:N")
    colour = alt.ColorValue(token("plot-mean"), condition={"test": "datum.chosen", "value": token("plot-chosen")})
    yield (
        inline(drawn, "guides")
        .mark_rule(color=token("hairline"), aria=False)
        .encode(x=axis.x("mean"), x2=alt.X2("zero:Q"), y=y)
    )
    if bounded:
        yield (
            inline(bounded, "intervals")
            .mark_rule(strokeWidth=4, opacity=1, aria=False)
            .encode(x=axis.x("low"), x2=alt.X2("high:Q"), y=y, color=colour, tooltip=told)
        )
    if beyond:
        yield (
            inline(beyond, "beyond")
            .mark_point(shape="triangle-right", filled=True, size=80, opacity=1, aria=False)
            .encode(x=axis.x("high"), y=y, color=colour, tooltip=told)
        )
    yield (
        inline(drawn, "means")
        .mark_point(shape="diamond", filled=True, size=100, opacity=1)
        .encode(x=axis.x("mean"), y=y, color=colour, tooltip=told, description=alt.Description("said:N"))
    )


@dataclass(frozen=True)
class Sign:
    """A sign of the key: its shape, the name of its colour, and what it means."""

    shape: str
    colour: str
    words: str


def key(signs: Sequence[Sign], unit: str) -> Iterator[alt.Chart]:
    """The key above the rows, two signs a line, and the unit of the figures at the right."""
    lines = (len(signs) + 1) // 2
    for place, sign in enumerate(signs):
        x = 10 if place % 2 == 0 else 46 + 6.2 * max(len(one.words) for one in signs[::2])
        y = -20 - 18 * (lines - 1 - place // 2)
        filled = sign.shape in {"diamond", "triangle-right"}
        at = {"x": x_at(x), "y": y_at(y)}
        one = [{"text": sign.words}]
        if sign.shape == "diamond":
            yield (
                inline(one, "key_interval")
                .mark_rule(strokeWidth=4, color=token(sign.colour), aria=False)
                .encode(x=x_at(x - 10), x2=x2_at(x + 10), y=y_at(y))
            )
        yield (
            inline(one, f"key_sign_{place}")
            .mark_point(
                color=token(sign.colour),
                shape=sign.shape,
                size=70 if filled else 40,
                filled=filled,
                strokeWidth=1.3,
                opacity=1,
                aria=False,
            )
            .encode(**at)
        )
        yield (
            inline(one, f"key_words_{place}")
            .mark_text(align="left", baseline="middle", fontSize=SMALL_PX, color=token("soft"), dx=15, aria=False)
            .encode(text=alt.Text("text:N"), **at)
        )
    yield figures_layer([{"y": -10, "text": unit}], name="key_unit", small=True)
