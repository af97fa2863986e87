"""What was measured of each cell: throughput, where the vCPUs' time went, what an operation takes, how it grows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from orchestrator.adapters.report.charts.cpu_cost import cpu_cost_chart
from orchestrator.adapters.report.charts.scaling import scaling_chart
from orchestrator.adapters.report.charts.throughput import TrialPoint, throughput_chart
from orchestrator.adapters.report.charts.time_use import time_use_chart
from orchestrator.adapters.report.content.cells import (
    cells_table,
    demands_table,
    recommended,
    templates_table,
    values_table,
)
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.parts import Beside, Block, Mark, Paragraph, Section, Sentences, Table
from orchestrator.adapters.report.verdict_choice import lawful, spoken
from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.scaling import Scaling
from orchestrator.core.verdict.scaling.words import told as growth_told
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import count
from orchestrator.units import format_percent

#: Sentences about what an operation takes, of each shape that is recommended; the table has the rest.
_MOST_IMPORTANT = 2
_CURVES = 3


def templates_section(verdict: Verdict, per: str) -> Iterator[Section]:
    """The plan's catalogue of templates: each with its rank; nothing without one."""
    found = verdict.templates
    if not found:
        return
    several = len({one.workload for one in found}) > 1
    tables: list[Table] = []
    for workload in dict.fromkeys(one.workload for one in found):
        ladder = [one for one in found if one.workload == workload]
        tables.append(templates_table(ladder, caption=_of("Templates", workload, several=several), per=per))
    told = tuple(one.sentence for one in found if one.broken or one.open)
    mark: Mark = "bad" if any(one.broken for one in found) else "doubt" if told else "good"
    yield Section("templates", "Templates", (*tables, *([Sentences(told)] if told else [])), mark=mark)


def throughput_section(source: RunSource, per: str, *, explained: bool = True) -> Iterator[Section]:
    """Throughput by shape and threads beside the vCPUs' time; nothing without a steady trial.

    Args:
        source: the run.
        per: period of the throughput.
        explained: whether to say what the columns mean.
    """
    verdict = source.verdict
    if not verdict.cells:
        return
    several = len({cell.workload for cell in verdict.cells}) > 1
    blocks: list[Block] = []
    for workload, alike in groupby(verdict.cells, key=lambda cell: cell.workload):
        cells = list(alike)
        blocks += [
            _charts(source, workload, cells, per),
            cells_table(cells, spoken(verdict), caption=_of("Cells", workload, several=several), per=per),
        ]
    if explained:
        blocks.append(Paragraph(_legend(verdict)))
    also = ", and where the vCPUs' time went" if any(isinstance(block, Beside) for block in blocks) else ""
    yield Section("throughput", f"Throughput{also}", tuple(blocks))


def _charts(source: RunSource, workload: str, cells: Sequence[CellEstimate], per: str) -> Block:
    """Throughput, and beside it where the vCPUs' time went, where that was observed."""
    verdict = source.verdict
    chosen = [cells[at].id for at in sorted(recommended(cells, spoken(verdict)))]
    points = _points(source, workload, cells)
    throughput = throughput_chart(workload, cells, points, per, chosen, verdict.confidence)
    throughput = replace(throughput, told_below=True)  # by the cells below, and the trials
    time = time_use_chart(workload, cells)
    return throughput if time is None else Beside((throughput, time))


def _points(source: RunSource, workload: str, cells: Sequence[CellEstimate]) -> list[TrialPoint]:
    """The trials of one workload's cells, those that do not count among them."""
    ids = {(cell.shape, cell.threads): cell.id for cell in cells}
    points = []
    for trial in source.run.trials:
        cell = ids.get((trial.shape, trial.threads)) if trial.workload == workload else None
        if cell is None:
            continue
        mean = trial.summary.throughput if trial.summary is not None else None
        points.append(
            TrialPoint(
                cell=cell,
                trial=trial.id,
                number=trial.number,
                block=trial.block if source.run.record.in_blocks else None,
                per_s=None if mean is None else mean.mean,
                low=None if mean is None else mean.low,
                high=None if mean is None else mean.high,
                steady=trial.outcome == "measured",
            )
        )
    return points


def _legend(verdict: Verdict) -> str:
    confidence = format_percent(verdict.confidence)
    shares = any(share is not None for cell in verdict.cells for share in (cell.run, cell.wait, cell.idle))
    averaged = " Run, wait, idle: of a vCPU's time, averaged over the guest's vCPUs." if shares else ""
    return f"From, to: interval of the mean over trials, at {confidence} confidence.{averaged}"


def cpu_section(verdict: Verdict) -> Iterator[Section]:
    """What an operation takes; nothing where CPU time was not observed."""
    known = [demand for demand in verdict.demands if demand.cpu_s is not None or demand.wait_s is not None]
    if not known:
        return
    several = len({demand.workload for demand in known}) > 1
    blocks: list[Block] = []
    for workload, alike in groupby(known, key=lambda demand: demand.workload):
        demands = list(alike)
        chart = cpu_cost_chart(workload, demands, verdict.confidence)
        blocks += [replace(chart, told_below=True)] if chart is not None else []
        blocks.append(demands_table(demands, caption=_of("What an operation takes", workload, several=several)))
    what = f"From, to: interval of its CPU time, at {format_percent(verdict.confidence)} confidence."
    contended = "Contended: its vCPUs wait for physical CPUs for a share of time that is worth a word."
    blocks.append(Paragraph(f"Of one operation, in vCPU time. {what} {contended}"))
    chosen = {(found.workload, found.threads, found.shape) for found in spoken(verdict)}
    told = [demand for demand in known if (demand.workload, demand.threads, demand.shape) in chosen]
    sentences = [sentence for demand in told for sentence in demand.sentences[:_MOST_IMPORTANT]]
    doubts = [doubt for demand in known for doubt in demand.doubts]
    if sentences := list(dict.fromkeys([*sentences, *doubts])):
        blocks.append(Sentences(tuple(sentences)))
    summary = f"{count(len(set(doubts)), 'contradiction')}" if doubts else ""
    yield Section("cpu", "CPU time an operation", tuple(blocks), mark="doubt" if doubts else "none", summary=summary)


def scaling_section(verdict: Verdict, per: str) -> Iterator[Section]:
    """How throughput grows with threads, vCPUs or both; nothing where there are too few sizes to tell."""
    told = growth_told(verdict.scaling)
    if told:
        charts = [scaling_chart(found, per) for found in _drawn(verdict)]
        yield Section("scaling", "How throughput grows", (*charts, Sentences(told)))


def _drawn(verdict: Verdict) -> Sequence[Scaling]:
    """The curves that are drawn: a few that follow a law; where none does, those of vCPUs and threads together."""
    together = [found for found in verdict.scaling if found.over == "both"][:_CURVES]
    return lawful(verdict) or together or verdict.scaling[:1]


def price_section(verdict: Verdict, per: str) -> Iterator[Section]:
    """What the price of each shape buys; nothing where the plan has no price."""
    if verdict.price_unit is None:
        return
    blocks: list[Block] = [values_table(verdict.values, verdict.price_unit, per)] if verdict.values else []
    sentences = [best.sentence for best in verdict.best_values]
    if rest := len(verdict.cells) - len(verdict.values):
        what = "No cell has a known price" if not verdict.values else f"The price of {count(rest, 'cell')} is not known"
        sentences.append(f"{what}: memory has a price and its size was not noted, or the shape would cost nothing.")
    if sentences:
        blocks.append(Sentences(tuple(sentences)))
    if blocks:
        yield Section("price", f"What the price buys, in {verdict.price_unit}", tuple(blocks))


def _of(what: str, workload: str, *, several: bool) -> str:
    return f"{what}, {workload}" if several else what
