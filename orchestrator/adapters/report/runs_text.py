"""The listing of runs: two lines each, the newest last, where a terminal leaves the eye."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Given, Text
from orchestrator.core.record.run_line import RunLine, Tally
from orchestrator.engine.listing import Listed, listing


def render_runs(runs: Sequence[RunLine], problems: Sequence[str] = ()) -> RenderableType:
    """Runs in the order given (the store's: oldest first), and what the store found wrong.

    Each has a first line of the name to type, its begin in UTC, its trials and its state, and a second of its title and
    the guest it was about; on a wide page one line for all of it.
    """
    if not runs:
        return Group(Text("no run to show"), *problems_text(problems))
    return Group(_Listing(listing(runs)), *problems_text(problems))


class _Listing:
    """The runs, a line or two each, as the width allows."""

    def __init__(self, lines: Sequence[Listed]) -> None:
        self._lines = lines

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw the widest that fits: with what each came to, with what it was about, or that on a second line."""
        first = [("run", "began (UTC)", "trials"), *map(_first, self._lines)]
        states = ["state", *(safe(line.state) for line in self._lines)]
        standings = ["state", *(safe(line.standing) for line in self._lines)]
        about = [
            ("guest", "title"),
            *((f"{safe(line.guest)} ({safe(line.guest_kind)})", safe(line.title)) for line in self._lines),
        ]
        for state in (standings, states):
            rows = aligned([(*row, told, *rest) for row, told, rest in zip(first, state, about, strict=True)])
            if max(map(len, rows)) <= options.max_width:
                yield from (Given(row, style="" if number else "bold") for number, row in enumerate(rows))
                return
        head, *rows = aligned([(*row, told) for row, told in zip(first, states, strict=True)])
        yield Text(head, style="bold")
        for line, row in zip(self._lines, rows, strict=True):
            decided = safe(line.standing.removeprefix(line.state))
            told = f"{safe(line.title)} ({safe(line.guest)}, {safe(line.guest_kind)}){decided}"
            yield from (Given(row), Padding(Given(told, style="dim"), (0, 0, 0, 2)))


def _first(line: Listed) -> tuple[str, str, str]:
    return safe(line.short), minute(line.started_utc), tally_text(line.tally)


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines whose columns begin below each other, two blanks apart."""
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(set_cell_size(cell, width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


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
