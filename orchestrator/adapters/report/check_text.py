"""What ``check`` prints: cells, order, time, what will be touched, cautions; and readiness line by line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Given, Text
from orchestrator.core.design.templates import Template
from orchestrator.core.verdict.words import listed, number
from orchestrator.engine.check_plan import Forecast
from orchestrator.engine.probe import Readiness
from orchestrator.units import format_duration, format_percent, format_size, utc_text

_STATES = {"ready": ("+", "green"), "look": ("~", "yellow"), "not ready": ("x", "red"), "unavailable": ("?", "dim")}


def render_forecast(view: Forecast) -> RenderableType:
    """The forecast of a plan, for a terminal of 80 columns or more."""
    plan = view.plan
    time = f"{format_duration(view.time.least_s)} to {format_duration(view.time.most_s)}"
    return Group(
        Given(safe(plan.title), style="bold"),
        Text(_size(view, time)),
        *[Text(f"  {line}", style="dim") for line in _limits(view)],
        *([_heading("Time"), *[_bullet(line) for line in _time(view)]] if view.time_given is not None else []),
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
        *[_bullet(line) for line in _decision(view)],
        *([_heading("What the time buys"), *[_bullet(line) for line in view.buys]] if view.buys else []),
        _heading("What happens"),
        *[_bullet(action) for action in view.actions],
        _heading("Cautions"),
        *[_bullet(caution) for caution in view.cautions],
        *([_heading("Remarks"), *[_bullet(remark) for remark in view.remarks]] if view.remarks else []),
        *([_heading("run would refuse"), *[_bullet(refusal) for refusal in view.refusals]] if view.refusals else []),
    )


def _size(view: Forecast, time: str) -> str:
    """``4 cells x 4 blocks = 16 trials, 22 min to 3 h``; where the evidence decides, the least and the most of each."""
    design, cells = view.plan.design, _counted(len(view.cells), "cell")
    if not design.until_decided:
        return f"{cells} x {_counted(design.most_blocks, 'block')} = {_counted(len(view.trials), 'trial')}, {time}"
    if design.least_blocks == design.most_blocks:
        return f"{cells} x {_counted(design.most_blocks, 'block')} = {_counted(len(view.trials), 'trial')}, {time}"
    blocks = f"{design.least_blocks} to {design.most_blocks} blocks (until decided)"
    trials = f"{len(view.cells) * design.least_blocks} to {len(view.trials)} trials"
    return f"{cells} x {blocks} = {trials}, {time}"


def _time(view: Forecast) -> Iterator[str]:
    """When the run would begin and end, and how much of the plan fits between."""
    given, fits = view.time_given, view.fits
    if given is None:
        return
    yield f"waits until {given.begins}" if given.begins is not None else "begins at once"
    if given.ends is not None and fits is not None:
        yield f"ends by {given.ends}, {format_duration(round(fits.seconds))} after it began"
        yield fits.sentence
    yield from given.notes


def _decision(view: Forecast) -> Iterator[str]:
    plan = view.plan
    margin, confidence = format_percent(plan.decide.margin), format_percent(plan.decide.confidence)
    if plan.templates:
        yield from (f"{line}, intervals at {confidence} confidence" for line in _templates(plan.templates, margin))
    else:
        yield (
            f"a shape fits when its throughput is not more than {margin} below the best, "
            f"intervals at {confidence} confidence"
        )
    if view.looks:
        after = listed([str(blocks) for blocks in view.looks])
        yield f"the evidence is looked at after {after} blocks, and the run ends at the first look that decides"
    if (price := plan.decide.price) is not None:
        yield f"a vCPU costs {number(price.vcpu)} and 1 GiB of memory {number(price.memory)} ({price.unit})"


def _templates(templates: Sequence[Template], margin: str) -> Iterator[str]:
    """What is asked of a catalogue, a line for each workload."""
    for workload in dict.fromkeys(template.workload for template in templates):
        ladder = [template for template in templates if template.workload == workload]
        names = listed([safe(template.name) for template in ladder])
        line = f"templates {names} of {safe(workload)}: each is to do more than the one before it"
        shares = [
            f"{safe(lower.name)} {format_percent(lower.share_of_next)} of {safe(upper.name)}"
            for lower, upper in pairwise(ladder)
            if lower.share_of_next is not None
        ]
        yield f"{line}, and to give {listed(shares)}, within {margin}" if shares else line


def _limits(view: Forecast) -> Sequence[str]:
    if not view.plan.design.until_decided:
        return (
            "least: every trial settles and is precise at once; most: each uses all its time;",
            "a trial that fails may take longer, up to the limits of its stages",
        )
    return (
        f"least: {_counted(view.plan.design.least_blocks, 'block')} decide, each trial settles and is precise at once;",
        "most: all blocks are needed and each trial uses all its time;",
        "a trial that fails may take longer, up to the limits of its stages",
    )


def render_readiness(lines: Sequence[Readiness]) -> RenderableType:
    """The probe's lines."""
    table = Table.grid(padding=(0, 2))
    for _ in range(3):
        table.add_column(overflow="fold")
    for line in lines:
        mark, style = _STATES[line.state]
        table.add_row(Text(f"{mark} {line.state}", style=style), Text(safe(line.what)), Text(safe(line.detail)))
    return Group(_heading("Readiness"), table)


def forecast_json(view: Forecast, readiness: Sequence[Readiness] | None) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "schema_version": SCHEMA_VERSION,
        "title": view.plan.title,
        "guest": view.plan.guest,
        "cells": [{"shape": c.shape.name, "workload": c.workload.name, "threads": c.threads} for c in view.cells],
        "trials": [trial.id for trial in view.trials],
        "least_trials": len(view.cells) * view.plan.design.least_blocks,
        "looks": list(view.looks),
        "least_s": view.time.least_s,
        "most_s": view.time.most_s,
        "buys": list(view.buys),
        "time": _time_json(view),
        "actions": list(view.actions),
        "cautions": list(view.cautions),
        "remarks": list(view.remarks),
        "refusals": list(view.refusals),
        "readiness": None
        if readiness is None
        else [{"what": r.what, "state": r.state, "detail": r.detail} for r in readiness],
    }


def _time_json(view: Forecast) -> dict[str, Any] | None:
    given, fits = view.time_given, view.fits
    if given is None:
        return None
    begins, ends = (None if at is None else utc_text(at) for at in (given.begins_s, given.ends_s))
    value: dict[str, Any] = {"begins_utc": begins, "ends_utc": ends, "notes": list(given.notes)}
    if fits is not None:
        value |= {"seconds": fits.seconds, "fewest_blocks": fits.fewest, "most_blocks": fits.most}
    return value


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
    for block in range(1, view.plan.design.most_blocks + 1):
        names = [trial.cell.id for trial in view.trials if trial.block == block]
        rows.append(Padding(Text(f"block {block}: {', '.join(names)}"), (0, 0, 0, 2)))
    return rows


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _heading(text: str) -> Text:
    return Text(text, style="bold")


def _bullet(text: str) -> RenderableType:
    row = Table.grid(padding=(0, 1))
    row.add_column()
    row.add_column(overflow="fold")  # a long path is never cut
    row.add_row(Text(" -"), Text(safe(text)))
    return row
