"""The comparisons of a verdict in words, each with a sign."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE, heading
from orchestrator.adapters.report.text import Text
from orchestrator.adapters.report.verdict_choice import decisive
from orchestrator.adapters.report.verdict_tables import NAME
from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import change, count, in_words, span
from orchestrator.units import format_percent

#: Each word has a sign and a colour of its own.
SIGNS = {"faster": ("+", "green"), "slower": ("-", "red"), "equivalent": ("=", "cyan"), "undecided": ("?", "yellow")}
QUESTIONS = {
    "size": "Another shape, same load",
    "threads": "More threads, same shape",
    "growth": "More vCPUs, a thread on each",
}


def render_comparisons(verdict: Verdict, *, whole: bool) -> Iterator[RenderableType]:
    """The comparisons, by question: all of them, or those that the recommendations rest on."""
    chosen = verdict.comparisons if whole else decisive(verdict)
    if not chosen:
        return
    several = len({c.workload for c in verdict.comparisons}) > 1
    margin, confidence = format_percent(verdict.margin), format_percent(verdict.confidence)
    yield heading(f"Comparisons (margin {margin}, {confidence} confidence for all of a workload together)")
    for (workload, question), found in groupby(chosen, key=lambda c: (c.workload, c.question)):
        under = f" ({safe(workload, NAME)})" if several else ""
        yield Padding(Text(f"{QUESTIONS[question]}{under}"), (0, 0, 0, 1))
        table = Table.grid(padding=(0, 1))
        for comparison in found:
            sign, style = SIGNS[comparison.verdict]
            table.add_row(Text(f"  {sign}", style=style), Text(safe(_in_words(comparison, tests=whole), SENTENCE)))
        yield table
    yield Text()


def _in_words(found: Comparison, *, tests: bool) -> str:
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
    text = f"{who}: {found.verdict}, {size} ({span(found.low, found.high)}{_one_sided(found) if tests else ''})"
    if found.verdict != "undecided":
        return text
    decide = (
        f"about {count(found.more_blocks, 'more block')} would decide" if found.more_blocks else "too close to call"
    )
    return f"{text}; {decide}"


def _one_sided(found: Comparison) -> str:
    """How surely an equivalent pair is within the margin: the larger chance of the two one-sided tests, where known."""
    if found.verdict != "equivalent" or found.p_low is None or found.p_high is None:
        return ""
    p = max(found.p_low, found.p_high)
    return f"; two one-sided tests, p {'< 0.001' if p < 0.001 else f'= {p:.2g}'}"


def _with_threads(shape: str, threads: int) -> str:
    return f"shape {shape} with {count(threads, 'thread')}"
