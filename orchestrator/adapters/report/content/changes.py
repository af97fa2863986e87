"""A new run against its base: how each cell changed, all of them together, and what else is not the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from orchestrator.adapters.report import compare_words as words
from orchestrator.adapters.report.charts.changes import before_after_chart, changes_chart
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, changed, figures, memory, text, whole
from orchestrator.adapters.report.document.parts import Beside, Block, Cell, Mark, Paragraph, Section, Sentences, Table
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared

MARKS: dict[str, Mark] = {"faster": "good", "slower": "bad", "equivalent": "good", "undecided": "doubt"}


def change_sections(found: RunsCompared, per: str) -> tuple[Section, ...]:
    """All that one comparison says, in the order in which it is read."""
    return (
        *_changes(found, per),
        *_together(found, per),
        *_repetition(found),
        *_surroundings(found),
        *_sentences("not-compared", "Not compared", words.not_compared(found)),
        *_sentences("remarks", "Remarks", words.remarks(found)),
    )


def mark(found: Sequence[RunsCompared]) -> Mark:
    """How an answer on changes stands: the worst of them."""
    marks = {MARKS[change.verdict] for one in found for change in one.changes}
    order: tuple[Mark, ...] = ("bad", "doubt", "good")
    return next((mark for mark in order if mark in marks), "open")


def _changes(found: RunsCompared, per: str) -> Iterator[Section]:
    if not found.changes:
        return
    ordered = words.ordered(found.changes)
    loads = [(workload, list(alike)) for workload, alike in groupby(ordered, key=lambda change: change.workload)]
    changes, rates = changes_chart(found), before_after_chart(found, per)
    blocks: list[Block] = [
        Beside((replace(changes, told_below=True), replace(rates, table=None, told_below=rates.table is not None)))
    ]
    for workload, cells in loads:
        caption = "Cells in both" if len(loads) == 1 else f"Cells in both, {workload}"
        blocks.append(_table(cells, found, caption))
    blocks.append(Paragraph(words.legend(found, cpu=words.cpu_known(found), ends="From, to")))
    if rates.table is not None:
        blocks.append(replace(rates.table, note=f"{words.rates_legend(found, per)} {rates.table.note}"))
    yield Section("changes", "How each cell changed", tuple(blocks))


def _table(cells: Sequence[Change], found: RunsCompared, caption: str) -> Table:
    cpu = words.cpu_known(found)
    sizes = len({cell.memory for cell in cells}) > 1
    is_open = any(cell.verdict == "undecided" for cell in cells)
    columns = (
        text("shape"),
        figures("vCPUs"),
        *((figures("memory", "GiB"),) if sizes else ()),
        figures("threads"),
        text("verdict"),
        figures("change", "%"),
        figures("from", "%"),
        figures("to", "%"),
        *((figures("per CPU s", "%"),) if cpu else ()),
        *((text("what would decide it"),) if is_open else ()),
    )
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            cell.shape,
            whole(cell.vcpus),
            *((memory(cell.memory),) if sizes else ()),
            whole(cell.threads),
            cell.verdict,
            changed(cell.ratio, is_whole=cell.low is None),
            changed(cell.low, missing=NO_INTERVAL),
            changed(cell.high, missing=NO_INTERVAL),
            *((changed(cell.cpu_ratio, is_whole=cell.cpu_low is None),) if cpu else ()),
            *((_would_decide(cell, found.margin),) if is_open else ()),
        )
        for cell in cells
    )
    marked = frozenset(at for at, cell in enumerate(cells) if cell.verdict in {"slower", "faster"})
    return Table(caption, columns, rows, marked)


def _would_decide(cell: Change, margin: float) -> str:
    return "; ".join([*words.not_worse(cell, margin), words.more(cell)]) if cell.verdict == "undecided" else ""


def _together(found: RunsCompared, per: str) -> Iterator[Section]:
    title = "All cells together" if len(found.changes) > 1 else "For its size"
    yield from _sentences("together", title, words.all_together(found, per))


def _repetition(found: RunsCompared) -> Iterator[Section]:
    """Whether the same shapes fit; the statement itself is the answer's."""
    if found.repetition is not None:
        yield from _sentences("shapes", "Whether the same shapes fit", found.repetition.shapes)


def _surroundings(found: RunsCompared) -> Iterator[Section]:
    """What else is not the same, the likeliest to matter first."""
    blocks: list[Block] = []
    for weight, title in words.WEIGHTS.items():
        if told := [difference.sentence for difference in found.surroundings if difference.weight == weight]:
            blocks += [Paragraph(f"{title}:"), Sentences(tuple(told))]
    yield Section("surroundings", "What else is not the same", tuple(blocks or [Paragraph(words.NOTHING_ELSE)]))


def _sentences(name: str, title: str, told: Sequence[str]) -> Iterator[Section]:
    if told:
        yield Section(name, title, (Sentences(tuple(dict.fromkeys(told))),))
