"""How a trial is drawn: one specification for all trials of a run, which differ in their rows alone.

Two plots on one axis of time, in one view with two scales: throughput above, where the time of the vCPUs went below.

Rows of ``rates``: ``t`` in seconds, ``v``; of ``shares``: ``t``, ``run``, ``wait`` in percent; of ``host`` and
``steal``: ``t``, ``v`` in percent. A row without a figure breaks the line. Rows of ``marks`` have a ``kind``: ``ends``
(the first: of the axes, ``x`` and ``y``), ``warm-up``, ``steady``, ``none`` (no steady window), ``left out``, ``key``.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt

from orchestrator.adapters.report.charts.frame import LABEL_PX, SMALL_PX, TICKS, Room, framed, x2_at, x_at, y2_at, y_at
from orchestrator.adapters.report.charts.palette import token

#: Widths of the signs and words of the key, in px; wide enough for the widest fonts of systems.
_KEY_PX = {"run": 46, "wait": 48, "idle": 48, "host busy": 92, "steal": 56}
_KEY_SIGN_PX = 12
#: So many readings have a point each; more are a line.
_FEW = 60

_ROOM = Room(left=56, right=16, top=26, bottom=44)
_TOP, _FLOOR = 22, 170
_KEY, _LOWER_TOP, _LOWER_FLOOR = 218, 236, 322
#: A bracket that is so wide has the mean above it as well.
_WITH_MEAN_PX = 260
_TITLE_X = -_ROOM.left
#: The lines by their data sets: what they are, and how they are dashed.
_LINES: dict[str, tuple[str, list[float]]] = {"host": ("host busy", [7, 5]), "steal": ("steal", [0, 7])}
#: The first row of shares is where the first interval begins, of which the second tells.
_TOLD = "isValid(datum.run) && datum.t > data('shares')[0].t"
_DASHED: dict[str, Any] = {"aria": False, "clip": True, "strokeCap": "round"}


@cache
def height_px(*, shares: bool) -> int:
    """Of the whole chart, with or without the lower plot."""
    return _ROOM.around(_LOWER_FLOOR if shares else _FLOOR)


@cache
def trial_plot(per: str, since: str, *, shares: bool) -> dict[str, Any]:
    """The specification.

    Args:
        per: the period of the rates.
        since: what times count from.
        shares: whether there is a lower plot.
    """
    floor = _LOWER_FLOOR if shares else _FLOOR
    layers = [_throughput(per, since, floor)]
    if shares:
        layers.append(_time_use(since))
    return framed(layers, floor, _ROOM) | {"resolve": {"scale": {"y": "independent"}}}


def _end(axis: str) -> alt.ExprRef:
    """Where an axis ends: given, since what draws complains of scales over sets that are empty."""
    return alt.ExprRef(f"data('marks')[0].{axis}")


def _x(field: str, since: str) -> alt.X:
    axis = alt.Axis(title=f"seconds since {since}", tickCount=TICKS, grid=False)
    return alt.X(field, type="quantitative", axis=axis, scale=alt.Scale(domain=[0, _end("x")], nice=False))


def _y(field: str, title: str, top: int, scale: alt.Scale, **axis: Any) -> alt.Y:
    """A height on one of the two plots; the title stands above its axis."""
    shown = alt.Axis(
        title=title,
        orient="left",
        titleAngle=0,
        titleAlign="left",
        titleAnchor="end",
        titleBaseline="bottom",
        titleX=_TITLE_X,
        titleY=top,
        domain=False,
        ticks=False,
        **axis,
    )
    return alt.Y(field, type="quantitative", axis=shown, scale=scale)


def _throughput(per: str, since: str, floor: int) -> alt.LayerChart:
    scale = alt.Scale(domain=[0, _end("y")], nice=True, range=[_FLOOR, _TOP])
    short = "datum.value >= 1e6 ? format(datum.value, '~s') : format(datum.value, '~f')"
    y = _y("v", f"operations per {per}", -4, scale, tickCount=4, labelExpr=short)
    rates, marks = alt.Chart(alt.NamedData("rates")), alt.Chart(alt.NamedData("marks"))
    figures = f"format(datum.v, '.5~r') + ' per {per}, ' + format(datum.t, '.5~r') + ' s after {since}'"
    line = rates.mark_line(color=token("plot-line"), strokeWidth=1.25, strokeCap="round", aria=False)
    points = rates.transform_filter("isValid(datum.v)").transform_joinaggregate(n="count()")
    points = points.transform_calculate(said=figures)
    few = alt.OpacityValue(0, condition={"test": f"datum.n <= {_FEW}", "value": 1})
    layers = [
        *_shades(marks, since, floor),
        *_steady(marks, since, y),
        line.encode(x=_x("t", since), y=y),
        points.mark_circle(color=token("plot-line"), size=22).encode(
            x=_x("t", since), y=y, opacity=few, tooltip=alt.Tooltip("said:N"), description=alt.Description("said:N")
        ),
        marks.transform_filter("datum.kind == 'left out'")
        .mark_point(shape="cross", angle=45, color=token("doubt"), size=60, filled=True)
        .encode(
            x=_x("from", since), y=_like(y, "v"), tooltip=alt.Tooltip("said:N"), description=alt.Description("said:N")
        ),
        *_labels(marks, since),
    ]
    return alt.LayerChart(layer=layers)


def _like(y: alt.Y, field: str) -> alt.Y:
    """Another field on the same scale and axis."""
    other: alt.Y = y.copy(deep=False)
    other.shorthand = field
    return other


def _shades(marks: alt.Chart, since: str, floor: int) -> list[alt.Chart]:
    """The warm-up, over both plots."""
    spans = [(_TOP, _FLOOR), *([(_LOWER_TOP, _LOWER_FLOOR)] if floor > _FLOOR else [])]
    warm = marks.transform_filter("datum.kind == 'warm-up'")
    return [
        warm.mark_rect(color=token("plot-warm-up"), aria=number == 0).encode(
            x=_x("from", since),
            x2=alt.X2("to"),
            y=y_at(top),
            y2=y2_at(end),
            tooltip=alt.Tooltip("said:N"),
            description=alt.Description("said:N"),
        )
        for number, (top, end) in enumerate(spans)
    ]


def _steady(marks: alt.Chart, since: str, y: alt.Y) -> list[alt.Chart]:
    """The steady window: a bracket above it, and the mean with its interval across it."""
    steady = marks.transform_filter("datum.kind == 'steady'")
    colour, bracket = token("plot-steady"), 16
    ends = [
        steady.mark_rule(color=colour, strokeWidth=1.5, aria=False).encode(
            x=_x(end, since), y=y_at(bracket), y2=y2_at(bracket + 6)
        )
        for end in ("from", "to")
    ]
    return [
        steady.transform_filter("isValid(datum.low)")
        .mark_rect(color=colour, opacity=0.3, aria=False)
        .encode(x=_x("from", since), x2=alt.X2("to"), y=_like(y, "low"), y2=alt.Y2("high")),
        steady.mark_rule(color=colour, strokeWidth=1.5, aria=False).encode(
            x=_x("from", since), x2=alt.X2("to"), y=y_at(bracket)
        ),
        *ends,
        steady.mark_rule(color=token("plot-mean"), strokeWidth=1.5).encode(
            x=_x("from", since),
            x2=alt.X2("to"),
            y=_like(y, "v"),
            tooltip=alt.Tooltip("said:N"),
            description=alt.Description("said:N"),
        ),
    ]


def _labels(marks: alt.Chart, since: str) -> list[alt.Chart]:
    """``warm-up`` at its beginning, ``steady window`` in the middle of the bracket, or that there is none."""
    text: dict[str, Any] = {"fontSize": SMALL_PX, "baseline": "bottom", "aria": False}
    middle = "(datum.from + datum.to) / 2"
    roomy = f"width * (datum.to - datum.from) / datum.to > {_WITH_MEAN_PX}"
    return [
        marks.transform_filter("datum.kind == 'steady'")
        .transform_calculate(middle=middle, bracket=f"datum.label + ({roomy} ? ': ' + datum.mean : '')")
        .mark_text(**text, color=token("plot-steady"))
        .encode(x=_x("middle", since), y=y_at(13), text=alt.Text("bracket:N")),
        marks.transform_filter("datum.kind == 'warm-up'")
        .mark_text(**text, align="left", color=token("soft"), dx=3)
        .encode(x=_x("from", since), y=y_at(13), text=alt.Text("label:N")),
        marks.transform_filter("datum.kind == 'none'")
        .mark_text(**text | {"aria": True}, align="left", color=token("doubt"))
        .encode(x=x_at(0), y=y_at(13), text=alt.Text("label:N"), description=alt.Description("said:N")),
    ]


def _time_use(since: str) -> alt.LayerChart:
    scale = alt.Scale(domain=[0, 100], nice=False, range=[_LOWER_FLOOR, _LOWER_TOP])
    y = _y("run", "% of CPU time", _KEY - 12, scale, values=[0, 50, 100])
    marks = alt.Chart(alt.NamedData("marks"))
    shares = alt.Chart(alt.NamedData("shares")).transform_calculate(
        both="isValid(datum.run) && isValid(datum.wait) ? datum.run + datum.wait : null",
        whole="isValid(datum.run) && isValid(datum.wait) ? 100 : null",
    )
    step: dict[str, Any] = {"interpolate": "step-before", "clip": True, "aria": False}
    x = _x("t", since)
    layers = [
        shares.mark_area(**step, fillOpacity=0, stroke=token("plot-idle"), strokeWidth=1).encode(
            x=x, y=_like(y, "whole"), y2=alt.Y2("both")
        ),
        shares.mark_area(**step, color=token("plot-wait")).encode(x=x, y=_like(y, "both"), y2=alt.Y2("run")),
        shares.mark_area(**step, color=token("plot-run")).encode(x=x, y=y, y2=alt.Y2Datum(0)),
        *_lines(x, y),
        _readable(shares, x, y, since),
        *_key(marks),
    ]
    return alt.LayerChart(layer=layers)


def _lines(x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Host busy as dashes and steal as dots, each rimmed with paper that parts it from what lies below."""
    layers = []
    for name, (_, dashes) in _LINES.items():
        line = alt.Chart(alt.NamedData(name)).encode(x=x, y=_like(y, "v"))
        for colour, width in (("paper", 4.5), ("ink", 2.25)):
            layers.append(line.mark_line(color=token(colour), strokeWidth=width, strokeDash=dashes, **_DASHED))
    return layers


def _readable(shares: alt.Chart, x: alt.X, y: alt.Y, since: str) -> alt.Chart:
    """Points that are not seen and tell the figures."""
    both = "', wait ' + format(datum.wait, '.1f') + ' %, idle ' + format(max(0, 100 - datum.both), '.1f') + ' %, '"
    said = (
        "'run ' + format(datum.run, '.1f') + ' %' + "
        f"(isValid(datum.both) ? {both} : ', ') + format(datum.t, '.5~r') + ' s after {since}'"
    )
    known = shares.transform_filter(_TOLD).transform_calculate(said=said)
    points: alt.Chart = known.mark_circle(opacity=0, size=60, clip=True).encode(
        x=x, y=y, tooltip=alt.Tooltip("said:N"), description=alt.Description("said:N")
    )
    return points


def _key(marks: alt.Chart) -> list[alt.Chart]:
    """What the areas and lines are, in a row above them; only what is known is there."""
    middle = _KEY + _KEY_SIGN_PX / 2
    signs: dict[str, dict[str, Any]] = {
        "run": {"fill": token("plot-run")},
        "wait": {"fill": token("plot-wait")},
        "idle": {"fill": token("paper"), "stroke": token("plot-idle"), "strokeWidth": 1},
    }
    dashes = dict(_LINES.values())
    layers, end_px = [], 0
    for what, width in _KEY_PX.items():
        item = marks.transform_filter(f"datum.kind == 'key' && datum.label == '{what}'")
        left, right = end_px - _ROOM.left, end_px - _ROOM.left + _KEY_SIGN_PX
        span = {"x": x_at(left), "x2": x2_at(right)}
        if what in signs:
            box = item.mark_rect(aria=False, **signs[what])
            layers.append(box.encode(**span, y=y_at(_KEY), y2=y2_at(_KEY + 10)))
        else:
            line = item.mark_rule(color=token("ink"), strokeWidth=2.25, strokeDash=dashes[what], **_DASHED)
            layers.append(line.encode(**span, y=y_at(middle)))
        word = item.mark_text(aria=False, align="left", baseline="middle", fontSize=LABEL_PX)
        layers.append(word.encode(x=x_at(right + 4), y=y_at(middle - 1), text=alt.Text("label:N")))
        end_px += width
    return layers
