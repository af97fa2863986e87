"""What was read in a throughput log, for the terminal and as plain values."""

from __future__ import annotations

import dataclasses
from typing import Any

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.words import count
from orchestrator.engine.read_series import SeriesResult

_SENTENCE = 2000


def render_reading(result: SeriesResult) -> RenderableType:
    """One log: steady or not, what was measured, and why; words carry what the colour repeats."""
    reading = result.reading
    sign, state, style = ("+", "steady", "green") if reading.steady else ("x", "not steady", "red")
    head = Text.assemble((safe(result.file), "bold"), ": ", (state, style))
    page = Table.grid(padding=(0, 1))
    page.add_row(Text(sign, style=style), head)
    page.add_row("", Text(safe(reading.sentence, _SENTENCE)))
    if reading.steady:
        page.add_row("", Text(safe(f"Why: {reading.reason}.", _SENTENCE)))
    if reading.left_out:
        page.add_row("", Text(f"Left out: {count(reading.left_out, 'reading')} without a finite number."))
    return page


def reading_json(result: SeriesResult) -> dict[str, Any]:
    """One log as plain values: ``file``, and every field of its reading."""
    return {"file": result.file, **dataclasses.asdict(result.reading)}
