"""What changed from one run to another: each cell's change against the margin, and its throughput before and after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt

from orchestrator.adapters.report.charts.frame import SMALL_PX, inline, x_at, y2_at, y_at
from orchestrator.adapters.report.charts.means import FIGURES_PX, Axis
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.charts.rows import ROOM, Line, Rows, figures_layer, lay_out
from orchestrator.adapters.report.compare_words import ordered, sentence
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, changed, figures, rates, text, whole
from orchestrator.adapters.report.document.parts import Chart, Table
from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared
from orchestrator.core.verdict.comparison import Word
from orchestrator.core.verdict.words import column, count, number, signed
from orchestrator.units import PERIODS, format_percent

#: How each word is drawn: a sign of its own, and a colour.
_SIGNS: Mapping[Word, tuple[str, str]] = {
    "faster": ("triangle-right", "good"),
    "slower": ("triangle-left", "bad"),
    "equivalent": ("square", "ink"),
    "undecided": ("circle", "doubt"),
}
#: Base and new: by their place in a row as well, the base above.
_SIDES = {"base": ("square", "plot-base"), "new": ("diamond", "plot-new")}
#: An interval that reaches so many times as far as the largest change, or the margin, ends at the edge.
_FURTHEST = 2.5
_BESIDE = 1.08
_Y = alt.Y("y:Q", scale=None)


def changes_chart(compared: RunsCompared) -> Chart:
    """Each cell's change in percent with its interval, against the margin, and the word for it."""
    cells = ordered(compared.changes)
    rows = _rows(cells)
    ends, places = _ends(compared), {row.line.cell: row.middle_px for row in rows.rows}
    marks = [_change(cell, places[cell.cell], ends, compared.per) for cell in cells]
    margin = format_percent(compared.margin)
    layers = [
        *_margin(compared.margin, ends, rows.height_px),
        *_intervals(marks, ends),
        *rows.layers(()),
        *_words(cells, rows, places),
        *_key(
            [
                ("square", "plot-warm-up", f"within the margin of {margin}"),
                ("stroke", "ink", f"change, {format_percent(compared.confidence)} interval"),
            ]
        ),
    ]
    return Chart(
        id="changes",
        title="Change of throughput from the base to the new run, percent",
        alternative=_alternative(compared, cells),
        spec=rows.framed(layers, ROOM),
        height_px=ROOM.around(rows.height_px),
        table=_changes_table(compared, cells),
    )


def before_after_chart(compared: RunsCompared, per: str) -> Chart:
    """Throughput of each cell in the base and in the new run, from zero, on the rows of :func:`changes_chart`.

    Args:
        compared: the comparison.
        per: period of the rates.
    """
    cells, factor, confidence = ordered(compared.changes), PERIODS[per], format_percent(compared.confidence)
    rows = _rows(cells)
    places, apart = {row.line.cell: row.middle_px for row in rows.rows}, 8 if rows.roomy else 5.5
    sides = {
        side: [_side(cell, side, places[cell.cell] + shift, factor, per) for cell in cells]
        for side, shift in (("base", -apart), ("new", apart))
    }
    largest = max((mark["rate"] for marks in sides.values() for mark in marks), default=1.0)
    highs = [mark["high"] for marks in sides.values() for mark in marks if mark["high"] is not None]
    axis = Axis(min(max([largest, *highs]), largest * _FURTHEST) * _BESIDE, f"operations per {per}")
    written = iter(column([mark["rate"] for marks in sides.values() for mark in marks]))
    layers: list[alt.Chart] = []
    for side, marks in sides.items():
        labels = [{"y": mark["y"], "text": next(written)} for mark in marks]
        layers += [*_side_marks(side, marks, axis), figures_layer(labels, name=f"{side}_figures", small=True)]
    layers += [
        *rows.layers(()),
        *_key([(shape, colour, f"{side}, {confidence} interval") for side, (shape, colour) in _SIDES.items()]),
    ]
    return Chart(
        id="before-after",
        title=f"Throughput in the base and in the new run, operations per {per}",
        alternative=_both(cells, per, confidence),
        spec=rows.framed(layers, ROOM),
        height_px=ROOM.around(rows.height_px),
        table=_rates_table(compared, cells, per),
    )


def _rows(cells: Sequence[Change]) -> Rows:
    """A row each; with several loads the name of a row tells which."""
    several = len({cell.workload for cell in cells}) > 1
    named = {cell.cell: f"{cell.shape}, {cell.workload}" if several else cell.shape for cell in cells}
    return lay_out([Line(cell.cell, named[cell.cell], cell.vcpus, cell.threads) for cell in cells])


def _percent(ratio: float) -> float:
    return (ratio - 1) * 100


def _ends(compared: RunsCompared) -> tuple[float, float]:
    """The scale in percent: zero, the margin and every change; the intervals as far as they leave those readable."""
    changes = [_percent(cell.ratio) for cell in compared.changes]
    bounds = [_percent(end) for cell in compared.changes for end in (cell.low, cell.high) if end is not None]
    furthest = _FURTHEST * max([compared.margin * 100, *map(abs, changes)])
    margins = [-compared.margin * 100, compared.margin * 100]
    low, high = (end([*changes, *bounds, *margins]) for end in (min, max))
    return max(low * _BESIDE, -furthest, -100.0), min(high * _BESIDE, furthest)


def _changes_x(field: str, ends: tuple[float, float]) -> alt.X:
    between = [alt.ExprRef("names"), alt.ExprRef(f"width - {FIGURES_PX + 8}")]
    ticks = alt.ExprRef(f"max(2, floor((width - names - {FIGURES_PX}) / 70))")
    signs = "(datum.value > 0 ? '+' : datum.value < 0 ? '\u2212' : '') + format(abs(datum.value), '~f')"
    axis = alt.Axis(tickCount=ticks, title="change from the base, %", labelExpr=signs, labelSeparation=8)
    return alt.X(f"{field}:Q", axis=axis, scale=alt.Scale(domain=[*ends], range=between, nice=False))


def _change(cell: Change, y: float, ends: tuple[float, float], per: str) -> dict[str, Any]:
    """What is drawn of a cell, with its unrounded figures."""
    low, high = (None if end is None else _percent(end) for end in (cell.low, cell.high))
    return {
        "cell": cell.cell,
        "ratio": cell.ratio,
        "low_ratio": cell.low,
        "high_ratio": cell.high,
        "change": _percent(cell.ratio),
        "low": None if low is None else min(max(low, ends[0]), ends[1]),
        "high": None if high is None else max(min(high, ends[1]), ends[0]),
        "below": low is not None and low < ends[0],
        "above": high is not None and high > ends[1],
        "word": cell.verdict,
        "y": y,
        "said": f"{safe(cell.cell, 120)}: {sentence(cell, per)}",
    }


def _margin(margin: float, ends: tuple[float, float], height_px: int) -> list[alt.Chart]:
    """The band within which a change does not matter, and the line of no change."""
    band = [{"low": _percent(1 / (1 + margin)), "high": margin * 100}]
    whole_height = {"y": y_at(0), "y2": y2_at(height_px)}
    return [
        inline(band, "margin")
        .mark_rect(color=token("plot-warm-up"), stroke=token("hairline"), aria=False)
        .encode(x=_changes_x("low", ends), x2=alt.X2("high"), **whole_height),
        inline([{"change": 0}], "no_change")
        .mark_rule(color=token("soft"), strokeDash=[3, 3], aria=False)
        .encode(x=_changes_x("change", ends), **whole_height),
    ]


def _intervals(marks: Sequence[Mapping[str, Any]], ends: tuple[float, float]) -> list[alt.Chart]:
    """For each word its signs, the intervals below them, with an arrow where one reaches further than is drawn."""
    layers = []
    for word, (shape, colour) in _SIGNS.items():
        if not (found := [mark for mark in marks if mark["word"] == word]):
            continue
        style: dict[str, Any] = {"color": token(colour), "opacity": 1}
        bounded = [mark for mark in found if mark["low"] is not None]
        if bounded:
            rule = inline(bounded, f"{word}_intervals").mark_rule(**style, strokeWidth=3, aria=False)
            layers.append(
                rule.encode(x=_changes_x("low", ends), x2=alt.X2("high"), y=_Y, tooltip=alt.Tooltip("said:N"))
            )
        for side, end, arrow in (("below", "low", "triangle-left"), ("above", "high", "triangle-right")):
            if beyond := [mark for mark in bounded if mark[side]]:
                tip = inline(beyond, f"{word}_{side}").mark_point(
                    **style, shape=arrow, size=40, filled=True, aria=False
                )
                layers.append(tip.encode(x=_changes_x(end, ends), y=_Y))
        signs = inline(found, word).mark_point(**style, shape=shape, size=100, filled=True)
        layers.append(
            signs.encode(
                x=_changes_x("change", ends), y=_Y, description=alt.Description("said:N"), tooltip=alt.Tooltip("said:N")
            )
        )
    return layers


def _words(cells: Sequence[Change], rows: Rows, places: Mapping[str, float]) -> list[alt.Chart]:
    """The word at the right of each row, and the change below it where there is room."""
    lift = 8 if rows.roomy else 0
    words = [{"y": places[cell.cell] - lift, "text": cell.verdict, "cell": cell.cell} for cell in cells]
    changes = [
        {"y": places[cell.cell] + lift, "text": signed(cell.ratio, whole=cell.low is None).replace("-", "\u2212")}
        for cell in cells
    ]
    shown = [figures_layer(words, name="words")]
    return [*shown, figures_layer(changes, name="figures", small=True)] if rows.roomy else shown


def _side(cell: Change, side: str, y: float, factor: float, per: str) -> dict[str, Any]:
    per_s, low, high = (getattr(cell, f"{side}_{figure}") for figure in ("per_s", "low", "high"))
    bounds = "no interval" if low is None else f"interval {number(low * factor)} to {number(high * factor)}"
    where = "base" if side == "base" else "new run"
    return {
        "cell": cell.cell,
        "per_s": per_s,
        "rate": per_s * factor,
        "low": None if low is None else low * factor,
        "high": None if high is None else high * factor,
        "y": y,
        "said": f"{safe(cell.cell, 120)} in the {where}: {number(per_s * factor)} per {per}, {bounds}",
    }


def _side_marks(side: str, marks: Sequence[Mapping[str, Any]], axis: Axis) -> list[alt.Chart]:
    shape, colour = _SIDES[side]
    bars = inline(marks, f"{side}_guides").mark_rule(color=token("hairline"), aria=False)
    layers = [bars.encode(x=axis.x("rate"), x2=alt.X2Datum(0), y=_Y)]
    if bounded := [{**mark, "high": min(mark["high"], axis.top)} for mark in marks if mark["low"] is not None]:
        rule = inline(bounded, f"{side}_intervals").mark_rule(color=token(colour), strokeWidth=3, aria=False)
        layers.append(rule.encode(x=axis.x("low"), x2=alt.X2("high"), y=_Y, tooltip=alt.Tooltip("said:N")))
    signs = inline(marks, side).mark_point(shape=shape, size=80, filled=True, color=token(colour), opacity=1)
    layers.append(
        signs.encode(x=axis.x("rate"), y=_Y, description=alt.Description("said:N"), tooltip=alt.Tooltip("said:N"))
    )
    return layers


def _key(items: Sequence[tuple[str, str, str]]) -> list[alt.Chart]:
    """What the signs mean, above the rows, one below the other where they are long."""
    layers = []
    for place, (shape, colour, words) in enumerate(items):
        y = -38 + 18 * place
        shade = {"fill": token(colour), "stroke": token("hairline")} if colour == "plot-warm-up" else {}
        style: dict[str, Any] = shade or {"color": token(colour), "strokeWidth": 3}
        sign = inline([{"text": words}], f"key_sign_{place}").mark_point(
            **style, shape=shape, size=90, filled=shape != "stroke", opacity=1, aria=False
        )
        text_mark = inline([{"text": words}], f"key_words_{place}").mark_text(
            align="left", baseline="middle", fontSize=SMALL_PX, color=token("soft"), aria=False
        )
        layers += [
            sign.encode(x=x_at(6), y=y_at(y)),
            text_mark.encode(x=x_at(19), y=y_at(y), text=alt.Text("text:N")),
        ]
    return layers


def _alternative(compared: RunsCompared, cells: Sequence[Change]) -> str:
    told = "; ".join(f"{safe(cell.cell, 60)} {sentence(cell, compared.per)}" for cell in cells)
    confidence, margin = format_percent(compared.confidence), format_percent(compared.margin)
    return (
        f"Change of throughput from the base to the new run, in percent, with {confidence} intervals, and the margin "
        f"of {margin} about zero: {count(len(cells), 'cell')}. {told}."
    )


def _both(cells: Sequence[Change], per: str, confidence: str) -> str:
    factor = PERIODS[per]
    told = "; ".join(
        f"{safe(cell.cell, 60)} {number(cell.base_per_s * factor)} and {number(cell.new_per_s * factor)}"
        for cell in cells
    )
    what = f"Throughput in operations per {per}, from zero, in the base and in the new run, with {confidence} intervals"
    return f"{what}: {told}."


def _changes_table(compared: RunsCompared, cells: Sequence[Change]) -> Table:
    confidence = format_percent(compared.confidence)
    rows = tuple(
        (
            cell.cell,
            cell.verdict,
            changed(cell.ratio, is_whole=cell.low is None),
            changed(cell.low, missing=NO_INTERVAL),
            changed(cell.high, missing=NO_INTERVAL),
        )
        for cell in cells
    )
    every = ", of all cells together" if len(cells) > 1 else ""
    return Table(
        "Changes",
        (text("cell"), text("verdict"), figures("change", "%"), figures("from", "%"), figures("to", "%")),
        rows,
        note=f"From, to: interval at {confidence} confidence{every}. Margin {format_percent(compared.margin)}.",
    )


def _rates_table(compared: RunsCompared, cells: Sequence[Change], per: str) -> Table:
    factor = PERIODS[per]
    names = [f"{side}_{figure}" for side in ("base", "new") for figure in ("per_s", "low", "high")]
    columns = [rates([getattr(cell, name) for cell in cells], factor, NO_INTERVAL) for name in names]
    heads = [figures(f"{side}{what}", f"per {per}") for side in ("base", "new") for what in ("", " from", " to")]
    rows = tuple(
        (cell.cell, *values[:3], whole(cell.base_trials), *values[3:], whole(cell.new_trials))
        for cell, *values in zip(cells, *columns, strict=True)
    )
    confidence = format_percent(compared.confidence)
    return Table(
        "Throughput in base and new run",
        (
            text("cell"),
            *heads[:3],
            figures("base runs" if compared.runs_are_readings else "base trials"),
            *heads[3:],
            figures("new trials"),
        ),
        rows,
        note=f"From, to: interval of each by itself at {confidence} confidence.",
    )
