"""A verdict for the terminal: the answer first, then cells, reasons, comparisons and remarks.

What only somebody who checks the verdict wants to see comes with its explanation.

Fits 80 columns. Colour only repeats what words and signs say already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding

from orchestrator.adapters.report.comparisons_text import render_comparisons
from orchestrator.adapters.report.explain import explanation_json, render_explanation
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE, bullets, heading, section
from orchestrator.adapters.report.templates_text import render_templates
from orchestrator.adapters.report.text import Given, Text
from orchestrator.adapters.report.verdict_choice import growth, left_out
from orchestrator.adapters.report.verdict_tables import cells_table, demands_table, values_table
from orchestrator.core.measure.method import Step
from orchestrator.core.verdict.minutes import TimeUse
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import capital, count, listed
from orchestrator.units import format_percent

SCHEMA_VERSION = 1
#: Sentences about what an operation takes, of each shape that is recommended; the table and ``--json`` have the rest.
_MOST_IMPORTANT = 2
#: Loads with one shape that are told one by one.
_ALIKE = 2
#: Contradictions that are told one by one.
_DOUBTS = 3


def render_verdict(  # noqa: PLR0913 - what may be told beside the verdict, each by its name
    verdict: Verdict,
    *,
    title: str,
    guest_kind: str | None = None,
    per: str | None = None,
    look: str = "",
    time: Sequence[TimeUse] = (),
    explanation: Sequence[Step] = (),
) -> RenderableType:
    """Everything a person needs to believe the verdict or not.

    Args:
        verdict: what to show.
        title: of the plan or the table.
        guest_kind: what the guests are (``process guest, not a VM``); ``None`` for readings taken by hand.
        per: period of the throughput column; the verdict's own when not given.
        look: whether enough blocks were measured, of readings that are looked at while blocks are added.
        time: how the time of the run was spent, and how it would be spent best.
        explanation: the steps that led to the verdict, where they are wanted; all details are then shown.
    """
    whole, per = bool(explanation), per if per is not None else verdict.per
    parts: list[RenderableType] = [
        Given(safe(title), style="bold"),
        Text(safe(verdict.answer, SENTENCE)),
        *([Text(safe(look, SENTENCE))] if look else []),
        Text(),
        *_tables(verdict, per, guest_kind),
    ]
    parts += render_templates(verdict.templates, margin=verdict.margin, confidence=verdict.confidence, per=per)
    parts += _recommendations(verdict, whole=whole)
    parts += section("Size and threads", [f.sentence for f in verdict.fits])
    parts += render_comparisons(verdict, whole=whole)
    parts += _prices(verdict)
    parts += section("How throughput grows", growth(verdict, whole=whole))
    parts += _demands(verdict, whole=whole)
    parts += section("How the time is best spent", [sentence for use in time for sentence in use.sentences])
    parts += section("Remarks", verdict.remarks)
    if not whole and (rest := left_out(verdict)):
        parts.append(Text(f"--explain of judge and show adds {listed(rest)}, and how all of it was reached.", "dim"))
    if explanation:
        return Group(*parts, render_explanation(explanation))
    return Group(*(parts[:-1] if isinstance(parts[-1], Text) and not parts[-1].plain else parts))


def _tables(verdict: Verdict, per: str, guest_kind: str | None) -> Iterator[RenderableType]:
    for workload, cells in groupby(verdict.cells, key=lambda c: c.workload):
        yield from (cells_table(list(cells), verdict, workload, per), Text())
    if verdict.cells:
        yield from (_legend(verdict, guest_kind), Text())


def verdict_json(verdict: Verdict, time: Sequence[TimeUse] = (), explanation: Sequence[Step] = ()) -> dict[str, Any]:
    """The verdict as plain values, for programs; keys as in :class:`~orchestrator.core.verdict.verdict.Verdict`.

    ``time_use`` and ``explanation`` are added where they are known or wanted.
    """
    value = {"schema_version": SCHEMA_VERSION, **verdict.model_dump(mode="json")}
    if time:
        value["time_use"] = [use.model_dump(mode="json") for use in time]
    if explanation:
        value["explanation"] = explanation_json(explanation)
    return value


def _legend(verdict: Verdict, guest_kind: str | None) -> Text:
    """What the signs and columns mean, and what kind of guest it was."""
    kind = f"Guest: {guest_kind}. " if guest_kind else ""
    shares = any(c.run is not None for c in verdict.cells)
    where = " Run, wait, idle: of a vCPU's time, averaged over the guest's vCPUs; ? unavailable." if shares else ""
    confidence = format_percent(verdict.confidence)
    text = f"{kind}* recommended for its threads. Interval: of the mean over trials, at {confidence} confidence.{where}"
    return Text(safe(text, SENTENCE), style="dim")


def _recommendations(verdict: Verdict, *, whole: bool) -> Iterator[RenderableType]:
    """One after another; of several that stand for want of another shape, which say the same, the first speaks.

    A catalogue of templates measures one shape for each load: there they say nothing.
    """
    alone = [r for r in verdict.recommendations if r.basis == "only shape measured"]
    silent = alone if verdict.templates and not whole else []
    quiet = alone[1:] if len(alone) > _ALIKE and not whole and not silent else []
    for found in verdict.recommendations:
        if not any(found is other for other in (*quiet, *silent)):
            yield from _recommendation(found, verdict)
    if quiet:
        yield from bullets([f"The same holds for {count(len(quiet), 'other load')}, where one shape was measured."])
        yield Text()


def _recommendation(found: Recommendation, verdict: Verdict) -> list[RenderableType]:
    several = len({r.workload for r in verdict.recommendations}) > 1
    under = f" of {found.workload}" if several else ""
    told = f"{count(found.threads, 'thread')}{under}: shape {found.shape}"
    if others := [shape for shape in found.candidates if shape != found.shape]:
        told += f"; {listed(others, joint='or')} may be the right one as well"
    parts: list[RenderableType] = [heading(capital(told)), *bullets(found.reasons)]
    if found.would_change:
        parts += [Padding(Text("What would change it:"), (0, 0, 0, 1)), *bullets(found.would_change)]
    return [*parts, Text()]


def _demands(verdict: Verdict, *, whole: bool) -> Iterator[RenderableType]:
    """What an operation takes: what makes the figures doubtful, and in full the table and what stands out."""
    doubts = [doubt for demand in verdict.demands for doubt in demand.doubts]
    if not whole or not verdict.demands:
        more = (
            [f"The same or similar holds {count(len(doubts) - _DOUBTS, 'more time')}."] if len(doubts) > _DOUBTS else []
        )
        yield from section("What does not fit together", [*doubts[:_DOUBTS], *more])
        return
    yield heading("What an operation takes")
    yield demands_table(verdict.demands, several=len({d.workload for d in verdict.demands}) > 1)
    signs = " ! contended." if any(d.contended for d in verdict.demands) else ""
    what = f"of CPU/op, at {format_percent(verdict.confidence)} confidence"
    yield Text(f"CPU/op, wait/op, idle/op: vCPU time an operation. Interval: {what}.{signs}", style="dim")
    chosen = {(r.workload, r.threads, r.shape) for r in verdict.recommendations}
    told = [d for d in verdict.demands if (d.workload, d.threads, d.shape) in chosen]
    yield from bullets([*(sentence for demand in told for sentence in demand.sentences[:_MOST_IMPORTANT]), *doubts])
    yield Text()


def _prices(verdict: Verdict) -> Iterator[RenderableType]:
    """What the price of each shape buys."""
    if verdict.price_unit is None:
        return
    yield heading(f"What the price buys, in {verdict.price_unit}")
    if verdict.values:
        yield values_table(verdict.values, verdict.per, several=len({v.workload for v in verdict.values}) > 1)
    yield from bullets(best.sentence for best in verdict.best_values)
    if rest := len(verdict.cells) - len(verdict.values):
        what = "No cell has a known price" if not verdict.values else f"The price of {count(rest, 'cell')} is not known"
        yield from bullets([f"{what}: memory has a price and its size was not noted, or the shape would cost nothing."])
    yield Text()
