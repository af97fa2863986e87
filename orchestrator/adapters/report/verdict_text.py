"""A verdict for the terminal: the answer first, then cells, comparisons, reasons and remarks.

Fits 80 columns. Colour only repeats what words and signs say already.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.usage import costs
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import change, column, count, in_words, span
from orchestrator.units import PERIODS, format_percent

_SIGNS = {"faster": ("+", "green"), "slower": ("-", "red"), "equivalent": ("=", "cyan"), "undecided": ("?", "yellow")}
_QUESTIONS = {
    "size": "Another shape, same load",
    "threads": "More threads, same shape",
    "growth": "More vCPUs, a thread on each",
}
SCHEMA_VERSION = 1
#: Reasons and remarks hold names, details and figures; longer ones are a guest's doing.
_SENTENCE = 2000
_NAME = 24


def render_verdict(
    verdict: Verdict, *, title: str, guest_kind: str | None = None, per: str | None = None
) -> RenderableType:
    """Everything a person needs to believe the verdict or not.

    Args:
        verdict: what to show.
        title: of the plan or the table.
        guest_kind: what the guests are (``process guest, not a VM``); ``None`` for readings taken by hand.
        per: period of the throughput column; the verdict's own when not given.
    """
    period = per if per is not None else verdict.per
    parts: list[RenderableType] = [Text(safe(title), style="bold"), Text(safe(verdict.answer, _SENTENCE)), Text()]
    for workload, cells in groupby(verdict.cells, key=lambda c: c.workload):
        parts += [_cells(list(cells), verdict, workload, period), Text()]
    if verdict.cells:
        parts += [_legend(verdict, guest_kind), Text()]
    if verdict.comparisons:
        parts += [*_comparisons(verdict), Text()]
    for recommendation in verdict.recommendations:
        parts += _recommendation(recommendation, verdict)
    if verdict.fits:
        parts += [_heading("Size and threads"), *_bullets(f.sentence for f in verdict.fits), Text()]
    if verdict.remarks:
        parts += [_heading("Remarks"), *_bullets(verdict.remarks)]
    return Group(*parts)


def verdict_json(verdict: Verdict) -> dict[str, Any]:
    """The verdict as plain values, for programs; keys as in :class:`~orchestrator.core.verdict.verdict.Verdict`."""
    return {"schema_version": SCHEMA_VERSION, **verdict.model_dump(mode="json")}


def _cells(cells: Sequence[CellEstimate], verdict: Verdict, workload: str, per: str) -> Table:
    """The table of one workload's cells; columns that nothing was observed for are left out."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold", title_justify="left")
    if len({c.workload for c in verdict.cells}) > 1:
        table.title = Text(safe(workload, _NAME), style="bold")
    chosen = {(r.threads, r.shape) for r in verdict.recommendations if r.workload == workload}
    shares = any(share is not None for c in cells for share in (c.run, c.wait, c.idle))
    costly = any(c.cpu_seconds_per_operation is not None for c in cells)
    table.add_column("")
    table.add_column("shape", overflow="fold")
    for heading in ("vCPUs", "threads", "trials", f"per {per}"):
        table.add_column(heading, justify="right")
    table.add_column("interval", justify="right", no_wrap=True)
    for heading in (*(("run", "wait", "idle") if shares else ()), *(("CPU/op",) if costly else ())):
        table.add_column(heading, justify="right", no_wrap=True)
    factor = PERIODS[per]
    rates = column([cell.throughput_per_s * factor for cell in cells])
    for cell, rate, interval, spent in zip(cells, rates, _intervals(cells, factor), _costs(cells), strict=True):
        best = (cell.threads, cell.shape) in chosen
        row = [
            "*" if best else "",
            safe(cell.shape, _NAME),
            str(cell.vcpus),
            str(cell.threads),
            str(cell.trials),
            rate,
            interval,
            *([_percent(share) for share in (cell.run, cell.wait, cell.idle)] if shares else []),
            *([spent] if costly else []),
        ]
        table.add_row(*(Text(field) for field in row), style="bold" if best else "")
    return table


def _intervals(cells: Sequence[CellEstimate], factor: float) -> list[str]:
    bounds = [bound * factor for c in cells if c.low is not None and c.high is not None for bound in (c.low, c.high)]
    figures = iter(column(bounds))
    return ["none" if c.low is None or c.high is None else f"{next(figures)}..{next(figures)}" for c in cells]


def _percent(share: float | None) -> str:
    return "?" if share is None else format_percent(share, 0)


def _costs(cells: Sequence[CellEstimate]) -> list[str]:
    figures = iter(costs([c.cpu_seconds_per_operation for c in cells if c.cpu_seconds_per_operation is not None]))
    return ["?" if c.cpu_seconds_per_operation is None else next(figures) for c in cells]


def _legend(verdict: Verdict, guest_kind: str | None) -> Text:
    """What the signs and columns mean, and what kind of guest it was."""
    kind = f"Guest: {guest_kind}. " if guest_kind else ""
    shares = any(c.run is not None for c in verdict.cells)
    where = " Run, wait, idle: of a vCPU's time, averaged over the guest's vCPUs; ? unavailable." if shares else ""
    confidence = format_percent(verdict.confidence)
    text = f"{kind}* recommended for its threads. Interval: of the mean over trials, at {confidence} confidence.{where}"
    return Text(safe(text, _SENTENCE), style="dim")


def _comparisons(verdict: Verdict) -> Iterator[RenderableType]:
    several = len({c.workload for c in verdict.comparisons}) > 1
    margin, confidence = format_percent(verdict.margin), format_percent(verdict.confidence)
    yield _heading(f"Comparisons (margin {margin}, {confidence} confidence for each group as a whole)")
    for (workload, question), found in groupby(verdict.comparisons, key=lambda c: (c.workload, c.question)):
        under = f" ({safe(workload, _NAME)})" if several else ""
        yield Padding(Text(f"{_QUESTIONS[question]}{under}"), (0, 0, 0, 1))
        table = Table.grid(padding=(0, 1))
        for comparison in found:
            sign, style = _SIGNS[comparison.verdict]
            table.add_row(Text(f"  {sign}", style=style), Text(safe(_in_words(comparison), _SENTENCE)))
        yield table


def _in_words(found: Comparison) -> str:
    """``shape two against one, two threads: faster, 71 % more (+66.7 % to +76.9 %)``."""
    if found.question == "size":
        who = f"shape {found.new_shape} against {found.base_shape}, {count(found.new_threads, 'thread')}"
    elif found.question == "threads":
        who = f"shape {found.new_shape}, {count(found.new_threads, 'thread')} against {in_words(found.base_threads)}"
    else:
        base, new = (
            _with_threads(found.base_shape, found.base_threads),
            _with_threads(found.new_shape, found.new_threads),
        )
        who = f"{new} against {base}"
    size = change(found.ratio, whole=found.low is None)
    if found.low is None or found.high is None:
        why = "no block holds both" if found.paired and not found.readings else "a single reading"
        return f"{who}: undecided, {size} on the figures ({why})"
    text = f"{who}: {found.verdict}, {size} ({span(found.low, found.high)})"
    if found.verdict != "undecided":
        return text
    decide = (
        f"about {count(found.more_blocks, 'more block')} would decide" if found.more_blocks else "too close to call"
    )
    return f"{text}; {decide}"


def _with_threads(shape: str, threads: int) -> str:
    return f"shape {shape} with {count(threads, 'thread')}"


def _recommendation(found: Recommendation, verdict: Verdict) -> list[RenderableType]:
    several = len({r.workload for r in verdict.recommendations}) > 1
    under = f" of {found.workload}" if several else ""
    heading = f"{count(found.threads, 'thread')}{under}: shape {found.shape}"
    parts: list[RenderableType] = [_heading(heading[:1].upper() + heading[1:]), *_bullets(found.reasons)]
    if found.would_change:
        parts += [Padding(Text("What would change it:"), (0, 0, 0, 1)), *_bullets(found.would_change)]
    return [*parts, Text()]


def _bullets(sentences: Iterable[str]) -> Iterator[RenderableType]:
    for sentence in sentences:
        row = Table.grid(padding=(0, 1))
        row.add_row(Text(" -"), Text(safe(sentence, _SENTENCE)))
        yield row


def _heading(text: str) -> Text:
    return Text(safe(text, _SENTENCE), style="bold")
