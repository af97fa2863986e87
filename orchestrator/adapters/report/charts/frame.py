"""What all charts share: type, axes, room around the plot, and the width of whatever a chart stands in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import altair as alt
from altair.utils.schemapi import disable_debug_mode

from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.signs import true_minus

#: Fonts of the reader's system, as the page's style sheet names them. Pictures are drawn with the first.
FONT = '"Liberation Sans", -apple-system, "Segoe UI", Roboto, Arial, sans-serif'
LABEL_PX = 12
SMALL_PX = 11

#: The library would check each part against the schema whenever it is made; tests check whole charts instead.
disable_debug_mode()
#: What marks are drawn from.
Rows: TypeAlias = Sequence[Mapping[str, Any]]

#: Ticks at least so far apart that figures of six digits do not touch.
TICKS = alt.ExprRef("max(2, floor(width / 90))")
#: Figures without an exponent, without trailing zeros.
FIGURES = "~f"

_CONFIG: Mapping[str, Any] = {
    "background": "transparent",
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelFontSize": LABEL_PX,
        "titleFontSize": LABEL_PX,
        "titleFontWeight": "normal",
        "labelColor": token("soft"),
        "titleColor": token("soft"),
        "domainColor": token("hairline"),
        "tickColor": token("hairline"),
        "gridColor": token("plot-grid"),
        "tickSize": 4,
        "labelPadding": 4,
        "titlePadding": 6,
    },
    "axisX": {"titleAnchor": "start", "titleAlign": "left"},
    "text": {"font": FONT, "fontSize": LABEL_PX, "color": token("ink")},
    "title": {"font": FONT, "fontSize": LABEL_PX, "color": token("ink")},
}


@dataclass(frozen=True)
class Room:
    """What is kept free around the plot for its axes and labels, in px.

    It is given and never measured, so that a chart has the same size wherever and with whichever fonts it is drawn.
    """

    left: int = 8
    right: int = 16
    top: int = 8
    bottom: int = 40

    def around(self, plot_px: int) -> int:
        """The height of a chart in px, by that of what is inside the room."""
        return self.top + plot_px + self.bottom


def inline(rows: Rows, name: str) -> alt.Chart:
    """A layer of rows that the specification itself holds; ``name`` is what its marks are called in a picture.

    :func:`framed` connects them: as its data, the library would look through the rows at each step. What a mark says,
    ``said``, has true minus signs.
    """
    return alt.Chart(name=name, datasets={name: [spoken(row) for row in rows]})


def spoken(row: Mapping[str, Any]) -> dict[str, Any]:
    """The same row; the sentence that is shown for its mark has true minus signs."""
    return {field: true_minus(value) if field == "said" else value for field, value in row.items()}


def x_at(place: float | str | alt.ExprRef) -> alt.XValue:
    """A place on the width of the plot: px, ``width``, or an expression; the library's short form is slow."""
    value: alt.XValue = alt.XValue(place)  # type: ignore[no-untyped-call]
    return value


def x2_at(place: float | str | alt.ExprRef) -> alt.X2Value:
    """The other end of a mark, as :func:`x_at`."""
    value: alt.X2Value = alt.X2Value(place)  # type: ignore[no-untyped-call]
    return value


def y_at(place_px: float) -> alt.YValue:
    """A height in px below the top of the plot."""
    value: alt.YValue = alt.YValue(place_px)  # type: ignore[no-untyped-call]
    return value


def y2_at(place_px: float) -> alt.Y2Value:
    """The other end of a mark, as :func:`y_at`."""
    value: alt.Y2Value = alt.Y2Value(place_px)  # type: ignore[no-untyped-call]
    return value


def framed(layers: Iterable[alt.Chart | alt.LayerChart], plot_px: int, room: Room) -> dict[str, Any]:
    """The specification of a chart with the width of its container, and the type and colours of all.

    Args:
        layers: of its plot, the lowest first; those of :func:`inline` bring their rows.
        plot_px: height of the plot.
        room: around it; the chart's height is ``room.around(plot_px)``.
    """
    rows: dict[str, Rows] = {}
    return {
        "$schema": alt.SCHEMA_URL,
        "config": _CONFIG,
        "padding": {"left": room.left, "right": room.right, "top": room.top, "bottom": room.bottom},
        "autosize": {"type": "none"},
        "width": "container",
        "height": plot_px,
        "layer": [_written(layer, rows) for layer in layers],
        "datasets": rows,
    }


def _written(layer: alt.Chart | alt.LayerChart, rows: dict[str, Rows]) -> dict[str, Any]:
    """A layer as a part of a specification; its rows are added to those of all, equal ones once."""
    inside = {"top_level": False, "data": None}  # no heading of its own, and no look at data for types
    spec: dict[str, Any] = layer.to_dict(validate=False, ignore=["datasets"], context=inside)
    for name, own in ({} if layer.datasets is alt.Undefined else layer.datasets).items():
        shared = next((known for known, held in rows.items() if held == own), name)
        rows[shared] = own
        spec["data"] = {"name": shared}
    return spec
