"""True minus signs in all that a document says; what somebody else wrote stays: its title, and text as it was given."""

from __future__ import annotations

from dataclasses import replace

from orchestrator.adapters.report.document.parts import (
    Beside,
    Block,
    Cell,
    Chart,
    Checks,
    Document,
    Facts,
    Number,
    Paragraph,
    Section,
    Sentences,
    Table,
)
from orchestrator.adapters.report.signs import MINUS, true_minus


def with_true_minus(document: Document) -> Document:
    """The same document; the values of figures are untouched."""
    return replace(
        document,
        answer=true_minus(document.answer),
        certainty=true_minus(document.certainty),
        warnings=tuple(map(true_minus, document.warnings)),
        sections=tuple(map(_section, document.sections)),
    )


def _section(section: Section) -> Section:
    return replace(
        section,
        blocks=tuple(map(_block, section.blocks)),
        parts=tuple(map(_section, section.parts)),
        summary=true_minus(section.summary),
    )


def _block(block: Block) -> Block:
    new: Block = block
    match block:
        case Paragraph(text):
            new = Paragraph(true_minus(text))
        case Sentences(items):
            new = Sentences(tuple(map(true_minus, items)))
        case Facts(pairs):
            new = Facts(tuple((name, true_minus(known)) for name, known in pairs))
        case Checks(items):
            new = Checks(tuple((name, mark, true_minus(detail)) for name, mark, detail in items))
        case Table():
            new = _table(block)
        case Chart():
            new = _chart(block)
        case Beside(charts):
            new = Beside(tuple(map(_chart, charts)))
    return new


def _chart(chart: Chart) -> Chart:
    table = None if chart.table is None else _table(chart.table)
    return replace(chart, alternative=true_minus(chart.alternative), table=table)


def _table(table: Table) -> Table:
    rows = tuple(tuple(map(_cell, row)) for row in table.rows)
    return replace(table, rows=rows, note=true_minus(table.note))


def _cell(cell: Cell) -> Cell:
    if isinstance(cell, str):
        return true_minus(cell)
    return Number(f"{MINUS}{cell.text[1:]}", cell.value) if cell.text.startswith("-") else cell
