"""What was read in a throughput log, for the terminal and as plain values."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table

from orchestrator.adapters.report.explain import explanation_json, render_explanation
from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Text
from orchestrator.core.measure.log import LogReading
from orchestrator.core.verdict.words import count, number
from orchestrator.engine.read_series import SeriesResult

_SENTENCE = 2000
_ALLOWED = " The interval allows for what may be left of it."
#: Readings that are named one by one.
_SHOWN = 3


def render_reading(result: SeriesResult) -> RenderableType:
    """One log: steady or not, what was measured, and why; words carry what the colour repeats."""
    reading = result.reading
    sign, state, style = ("+", "steady", "green") if reading.steady else ("x", "not steady", "red")
    head = Text.assemble((safe(result.file), "bold"), ": ", (state, style))
    page = Table.grid(padding=(0, 1))
    page.add_row(Text(sign, style=style), head)
    page.add_row("", Text(safe(reading.sentence, _SENTENCE)))
    for line in _details(reading, timed=result.timed):
        page.add_row("", Text(safe(line, _SENTENCE)))
    if result.explanation:
        return Group(page, render_explanation(result.explanation))
    return page


def _details(reading: LogReading, *, timed: bool) -> Iterator[str]:
    """What else is known: why, when the warm-up ended, and what was left out."""
    if reading.steady:
        yield f"Why: {reading.reason}."
        yield from _warm_up(reading, timed=timed)
    if reading.left_out:
        yield f"Left out: {count(reading.left_out, 'reading')} without a finite number."
    for one in reading.impossible[:_SHOWN]:
        yield f"Left out: {number(one.value)} at {one.at_s:.6g}, {one.reason}."
    if (more := len(reading.impossible) - _SHOWN) > 0:
        yield f"Left out: {count(more, 'more reading')} that cannot be true."


def _warm_up(reading: LogReading, *, timed: bool) -> Iterator[str]:
    """Between which readings the warm-up ends, and whether the mean may still hold a part of it."""
    earliest, latest, window = reading.earliest_s, reading.latest_s, reading.window_s
    if earliest is None or latest is None or window is None or latest <= earliest:
        return
    low, high = (f"{bound:.4g} s" if timed else f"reading {bound:.4g}" for bound in (earliest, latest))
    if latest >= window[1]:
        yield f"Warm-up: over from {low} on at the earliest; the readings do not tell how late it may end.{_ALLOWED}"
    elif latest <= window[0]:
        yield f"Warm-up: it ends between {low} and {high}, before the mean begins."
    else:
        yield f"Warm-up: it ends between {low} and {high}.{_ALLOWED}"


def reading_json(result: SeriesResult) -> dict[str, Any]:
    """One log as plain values: ``schema_version``, ``file``, every field of its reading, and ``explanation``."""
    value = {"schema_version": SCHEMA_VERSION, "file": result.file, **dataclasses.asdict(result.reading)}
    return value | ({"explanation": explanation_json(result.explanation)} if result.explanation else {})
