"""What ``check`` prints: cells, order, time, what will be touched, cautions; and readiness line by line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from orchestrator.adapters.report.plain import safe
from orchestrator.engine.check_plan import Forecast
from orchestrator.engine.probe import Readiness
from orchestrator.units import format_duration, format_percent, format_size

_STATES = {"ready": ("+", "green"), "look": ("~", "yellow"), "not ready": ("x", "red"), "unavailable": ("?", "dim")}


def render_forecast(view: Forecast) -> RenderableType:
    """The forecast of a plan, for a terminal of 80 columns or more."""
    plan = view.plan
    time = f"{format_duration(view.time.least_s)} to {format_duration(view.time.most_s)}"
    return Group(
        Text(safe(plan.title), style="bold"),
        Text(
            f"{_counted(len(view.cells), 'cell')} x {_counted(plan.design.blocks, 'block')} = "
            f"{_counted(len(view.trials), 'trial')}, {time}"
        ),
        Text("  least: every trial settles and is precise at once; most: each uses all its time;", style="dim"),
        Text("  a trial that fails may take longer, up to the limits of its stages", style="dim"),
        Text(),
        _cells(view),
        Text(),
        _heading(
            "Order"
            + (
                f" (random within each block, seed {plan.design.seed})"
                if plan.design.order == "random"
                else " (as written)"
            )
        ),
        *_order(view),
        Text(),
        _heading("Decision"),
        _bullet(
            f"a shape fits when its throughput is not more than {format_percent(plan.decide.margin)} below the best, "
            f"intervals at {format_percent(plan.decide.confidence)} confidence"
        ),
        _heading("What happens"),
        *[_bullet(action) for action in view.actions],
        _heading("Cautions"),
        *[_bullet(caution) for caution in view.cautions],
        *([_heading("Remarks"), *[_bullet(remark) for remark in view.remarks]] if view.remarks else []),
        *([_heading("run would refuse"), *[_bullet(refusal) for refusal in view.refusals]] if view.refusals else []),
    )


def render_readiness(lines: Sequence[Readiness]) -> RenderableType:
    """The probe's lines."""
    table = Table.grid(padding=(0, 2))
    for line in lines:
        mark, style = _STATES[line.state]
        table.add_row(Text(f"{mark} {line.state}", style=style), Text(safe(line.what)), Text(safe(line.detail)))
    return Group(_heading("Readiness"), table)


def forecast_json(view: Forecast, readiness: Sequence[Readiness] | None) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "title": view.plan.title,
        "guest": view.plan.guest,
        "cells": [{"shape": c.shape.name, "workload": c.workload.name, "threads": c.threads} for c in view.cells],
        "trials": [trial.id for trial in view.trials],
        "least_s": view.time.least_s,
        "most_s": view.time.most_s,
        "actions": list(view.actions),
        "cautions": list(view.cautions),
        "remarks": list(view.remarks),
        "refusals": list(view.refusals),
        "readiness": None
        if readiness is None
        else [{"what": r.what, "state": r.state, "detail": r.detail} for r in readiness],
    }


def _cells(view: Forecast) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("shape", "vCPUs", "memory", "workload", "threads"):
        table.add_column(heading, justify="right" if heading in {"vCPUs", "threads"} else "left")
    for cell in view.cells:
        shape = cell.shape
        table.add_row(shape.name, str(shape.vcpus), format_size(shape.memory), cell.workload.name, str(cell.threads))
    return table


def _order(view: Forecast) -> list[RenderableType]:
    rows: list[RenderableType] = []
    for block in range(1, view.plan.design.blocks + 1):
        names = [trial.cell.id for trial in view.trials if trial.block == block]
        rows.append(Padding(Text(f"block {block}: {', '.join(names)}"), (0, 0, 0, 2)))
    return rows


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _heading(text: str) -> Text:
    return Text(text, style="bold")


def _bullet(text: str) -> RenderableType:
    row = Table.grid(padding=(0, 1))
    row.add_row(Text(" -"), Text(safe(text)))
    return row
