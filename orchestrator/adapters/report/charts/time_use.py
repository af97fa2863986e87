"""Where the time of each cell's vCPUs went: run, wait, idle; rows as in the chart of throughput."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

import altair as alt

from orchestrator.adapters.report.charts.frame import SMALL_PX, inline, x2_at, x_at, y_at
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.charts.rows import (
    ROOM,
    Line,
    Row,
    Rows,
    bar_px,
    bars_of,
    figures_layer,
    lay_out,
    slug,
    vcpus_text,
)
from orchestrator.adapters.report.document.numbers import figures, percent, text, whole
from orchestrator.adapters.report.document.parts import Cell, Chart, Table
from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.cells import CellEstimate, Shares
from orchestrator.core.verdict.words import capital, count, in_words
from orchestrator.units import format_percent

_KINDS = ("run", "wait", "idle")
#: Each column of figures beside the bars.
_COLUMN_PX = 36
_COLUMNS_PX = 3 * _COLUMN_PX + 6
#: Bars at least so high leave a gap to the next, px.
_GAP_PX = 2
#: Idle time is outlined; of bars this low little but outline would be seen, so it is fainter, px.
_THIN_PX = 4
#: A share that is less than this is no time at all: it is what rounding left.
_NOTHING = 5e-4
_ALL_SAID = 8


def time_use_chart(workload: str, cells: Sequence[CellEstimate]) -> Chart | None:
    """Each vCPU as a bar of its whole time: run, then wait, then idle.

    Args:
        workload: its name.
        cells: those of this workload.

    Returns:
        ``None`` where nothing was observed in any cell.
    """
    if not any(_observed(cell) for cell in cells):
        return None
    rows = lay_out([Line(cell.id, cell.shape, cell.vcpus, cell.threads, bars_of(cell, cells)) for cell in cells])
    by_id = {cell.id: cell for cell in cells}
    parts = [part for row in rows.rows for part in _parts(row, by_id[row.line.cell], rows)]
    layers = [
        *_bars(parts),
        *_absent(rows, by_id),
        *_figures(rows, by_id),
        *rows.layers((), _below(rows, by_id)),
        *_key(),
    ]
    return Chart(
        id=f"time-{slug(workload)}",
        title=f"Where the vCPUs' time went under {safe(workload)}, % of each one's time",
        alternative=_alternative(rows, by_id, workload),
        spec=rows.framed(layers, ROOM),
        height_px=ROOM.around(rows.height_px),
        table=_table(rows, by_id),
    )


def _observed(cell: CellEstimate) -> bool:
    return any(share is not None for one in (_mean(cell), *cell.per_vcpu) for share in (one.run, one.wait, one.idle))


def _mean(cell: CellEstimate) -> Shares:
    return Shares(run=cell.run, wait=cell.wait, idle=cell.idle)


def _shown(row: Row, cell: CellEstimate) -> tuple[Shares, ...]:
    """What a bar is drawn for: each vCPU, or their mean."""
    return cell.per_vcpu if len(cell.per_vcpu) == row.line.bars and cell.per_vcpu else (_mean(cell),)


def _parts(row: Row, cell: CellEstimate, rows: Rows) -> Iterator[dict[str, Any]]:
    """The pieces of a cell's bars, from left to right."""
    shown = _shown(row, cell)
    each = bar_px(len(shown), roomy=rows.roomy)
    high = each - _GAP_PX if each > 2 * _GAP_PX else each * 0.75
    top = row.middle_px - len(shown) * each / 2 + (each - high) / 2
    for place, shares in enumerate(shown):
        who = f"vCPU {place}" if len(cell.per_vcpu) == len(shown) else f"mean of {vcpus_text(cell.vcpus)}"
        begin = 0.0
        for kind in _KINDS:
            share = getattr(shares, kind)
            if share is None:
                break  # what follows has no place to begin
            if share >= _NOTHING:
                yield {
                    "cell": cell.id,
                    "vcpu": place if len(cell.per_vcpu) == len(shown) else None,
                    "kind": kind,
                    "share": share,
                    "from": begin * 100,
                    "to": (begin + share) * 100,
                    "y": top + place * each,
                    "y2": top + place * each + high,
                    "thin": high < _THIN_PX,
                    "part": f"{row.line.named}, {who}: {kind} {format_percent(share)}",
                    "said": f"{row.line.named}, {who}: {_said(shares)}",
                }
            begin += share


def _said(shares: Shares) -> str:
    """``run 80 %, wait 20 %, idle 0 %``; what is unavailable is said so."""
    told = ((kind, getattr(shares, kind)) for kind in _KINDS)
    return ", ".join(f"{kind} {'unavailable' if share is None else format_percent(share)}" for kind, share in told)


def _x(name: str) -> alt.X:
    ends = [alt.ExprRef("names"), alt.ExprRef(f"width - {_COLUMNS_PX}")]
    axis = alt.Axis(values=[0, 50, 100], title="% of each vCPU's time", format="d", labelFlush=True)
    return alt.X(f"{name}:Q", axis=axis, scale=alt.Scale(domain=[0, 100], range=ends, nice=False))


def _bars(parts: Sequence[dict[str, Any]]) -> Iterator[alt.Chart]:
    """A layer for each kind, so that each has its look; the outline of idle time lies within its place."""
    looks: dict[str, dict[str, Any]] = {
        "run": {"fill": token("plot-run")},
        "wait": {"fill": token("plot-wait")},
        "idle": {"fill": token("paper"), "stroke": token("plot-idle"), "strokeWidth": 1},
    }
    for kind, look in looks.items():
        inset = 0.5 if kind == "idle" else 0.0
        found = [part | {"y": part["y"] + inset, "y2": part["y2"] - inset} for part in parts if part["kind"] == kind]
        yield (
            inline(found, kind)
            .mark_rect(opacity=1, **look)
            .encode(
                x=_x("from"),
                x2=alt.X2("to:Q"),
                y=alt.Y("y:Q", scale=None),
                y2=alt.Y2("y2:Q"),
                description=alt.Description("part:N"),
                tooltip=alt.Tooltip("said:N"),
                strokeOpacity=alt.StrokeOpacityValue(1, condition={"test": "datum.thin", "value": 0.4}),
            )
        )


def _absent(rows: Rows, cells: dict[str, CellEstimate]) -> list[alt.Chart]:
    """Words where there is nothing to draw."""
    found = [
        {"cell": row.line.cell, "y": row.middle_px, "text": "not observed"}
        for row in rows.rows
        if not _observed(cells[row.line.cell])
    ]
    if not found:
        return []
    return [
        inline(found, "absent")
        .mark_text(align="left", baseline="middle", fontSize=SMALL_PX, color=token("soft"), dx=4, aria=False)
        .encode(x=x_at(alt.ExprRef("names")), y=alt.Y("y:Q", scale=None), text=alt.Text("text:N"))
    ]


def _figures(rows: Rows, cells: dict[str, CellEstimate]) -> Iterator[alt.Chart]:
    """The means over a cell's vCPUs, in columns that are headed as the bars are drawn."""
    for place, kind in enumerate(_KINDS):
        found = [
            {"cell": row.line.cell, "y": row.middle_px, "text": percent(getattr(cells[row.line.cell], kind)).text}
            for row in rows.rows
            if _observed(cells[row.line.cell])
        ]
        yield figures_layer(found, right_px=(2 - place) * _COLUMN_PX, name=f"mean_{kind}")


def _below(rows: Rows, cells: dict[str, CellEstimate]) -> dict[str, str]:
    """What is said below a name: how many vCPUs, and where only their mean is drawn, that."""
    told = {}
    for row in rows.rows:
        cell = cells[row.line.cell]
        size = vcpus_text(cell.vcpus)
        meant = cell.vcpus > 1 and len(_shown(row, cell)) == 1 and _observed(cell)
        told[cell.id] = f"mean of {size}" if meant else size
    return told


def _key() -> Iterator[alt.Chart]:
    """Headings of the columns of figures, each with its sign."""
    signs: dict[str, dict[str, Any]] = {
        "run": {"fill": token("plot-run")},
        "wait": {"fill": token("plot-wait")},
        "idle": {"fill": token("paper"), "stroke": token("plot-idle"), "strokeWidth": 1},
    }
    for place, (kind, look) in enumerate(signs.items()):
        right = (2 - place) * _COLUMN_PX
        yield figures_layer([{"y": -10, "text": kind}], right_px=right, name=f"key_{kind}")
        yield (
            inline([{"y": -29, "y2": -20}], f"key_sign_{kind}")
            .mark_rect(aria=False, opacity=1, **look)
            .encode(
                x=x_at(alt.ExprRef(f"width - {right + 24}")),
                x2=x2_at(alt.ExprRef(f"width - {right}")),
                y=alt.Y("y:Q", scale=None),
                y2=alt.Y2("y2:Q"),
            )
        )
    yield (
        inline([{"text": "mean over vCPUs, %"}], "key_means")
        .mark_text(align="right", baseline="middle", fontSize=SMALL_PX, color=token("soft"), aria=False)
        .encode(x=x_at("width"), y=y_at(-41), text=alt.Text("text:N"))
    )


def _alternative(rows: Rows, cells: dict[str, CellEstimate], workload: str) -> str:
    told = [
        f"Where the time of the vCPUs went under {safe(workload)}: a row for each shape, by threads, "
        "a bar for each vCPU or for their mean, from 0 to 100 % of its time."
    ]
    for threads, alike in groupby(rows.rows, key=lambda row: row.line.threads):
        these = [cells[row.line.cell] for row in alike]
        told.append(f"{capital(count(threads, 'thread'))}: {'; '.join(_cell_said(cell) for cell in these[:_ALL_SAID])}")
        told[-1] += f"; and {in_words(len(these) - _ALL_SAID)} more." if len(these) > _ALL_SAID else "."
    return " ".join(told)


def _cell_said(cell: CellEstimate) -> str:
    if not _observed(cell):
        return f"{safe(cell.shape, 60)} not observed"
    return f"{safe(cell.shape, 60)} {_said(_mean(cell))}"


def _table(rows: Rows, cells: dict[str, CellEstimate]) -> Table:
    columns = (
        text("shape"),
        figures("threads"),
        text("vCPU"),
        *(figures(kind, "%") for kind in _KINDS),
    )
    lines: list[tuple[Cell, ...]] = []
    for row in rows.rows:
        cell = cells[row.line.cell]
        mean = [("mean", _mean(cell))] if cell.vcpus > 1 or not cell.per_vcpu else []
        for who, shares in [*mean, *((str(n), one) for n, one in enumerate(cell.per_vcpu))]:
            spent = [percent(getattr(shares, kind), 1) for kind in _KINDS]
            lines.append((cell.shape, whole(cell.threads), who, *spent))
    note = "Averaged over a cell's trials. Run: on a physical CPU. Wait: ready, but waiting for one. Idle: the rest."
    return Table("Where each vCPU's time went", columns, tuple(lines), note=note)
