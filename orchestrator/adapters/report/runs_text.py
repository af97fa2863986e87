"""The listing of runs: two lines each, the newest last, where a terminal leaves the eye."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from orchestrator.adapters.report.plain import safe
from orchestrator.core.record.run_line import RunLine, Tally
from orchestrator.engine.listing import listing


def render_runs(runs: Sequence[RunLine], problems: Sequence[str] = ()) -> RenderableType:
    """Runs in the order given (the store's: oldest first), and what the store found wrong.

    Each has a first line of the name to type, its begin in UTC, its trials and its state, and a second of its title and
    the guest it was about.
    """
    rows = [("run", "began (UTC)", "trials", "state")]
    lines = listing(runs)
    rows += [(safe(line.short), minute(line.started_utc), tally_text(line.tally), safe(line.state)) for line in lines]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    texts = [
        "  ".join([*(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=False)), row[3]]) for row in rows
    ]
    parts: list[RenderableType] = [Text(texts[0], style="bold")] if lines else [Text("no run to show")]
    for line, text in zip(lines, texts[1:], strict=True):
        decided = line.standing.removeprefix(line.state)
        about = f"{safe(line.title)} ({safe(line.guest)}, {safe(line.guest_kind)}){safe(decided)}"
        parts += [Text(text), Padding(Text(about, style="dim"), (0, 0, 0, 2))]
    return Group(*parts, *problems_text(problems))


def minute(utc: str) -> str:
    """A stored time to the minute: ``2026-08-01 10:11``."""
    return safe(utc[:16].replace("T", " "))


def tally_text(tally: Tally) -> str:
    """How far a run got: ``18 of 20, 1 failed, 1 unsteady``."""
    parts = [f"{tally.ended} of {tally.planned}"]
    parts += [f"{count} {word}" for count, word in ((tally.failed, "failed"), (tally.unsteady, "unsteady")) if count]
    return ", ".join(parts)


def problems_text(problems: Sequence[str]) -> list[RenderableType]:
    """What is wrong in the store, under a heading; nothing when nothing is."""
    if not problems:
        return []
    return [Text(""), Text("Look at", style="bold"), *(bullet(problem) for problem in problems)]


def bullet(text: str) -> RenderableType:
    """A point of a list; its further lines begin below its first word."""
    row = Table.grid(padding=(0, 1))
    row.add_column()
    row.add_column(overflow="fold")  # a long path is never cut
    row.add_row(Text("  -"), Text(safe(text, 1000)))
    return row
