"""A report as Markdown, to be pasted where a team keeps its notes: CommonMark 0.31 with the table extension; no HTML.

Charts stand there as what is to be seen in them, with their figures as a table.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from orchestrator.adapters.report.compare_markdown import escaped
from orchestrator.adapters.report.document.parts import (
    MARK_WORDS,
    Beside,
    Block,
    Chart,
    Checks,
    Document,
    Facts,
    Number,
    Paragraph,
    Section,
    Sentences,
    Table,
    Verbatim,
)
from orchestrator.adapters.report.export.texts import heading, lines, summary

_DEEPEST = 6
#: Where trackers would make a link of bare text (GitHub Flavored Markdown, 6.9: autolinks); an escape prevents it.
_LINK = re.compile(r"(?<=[A-Za-z]):(?=//)|(?<=www)\.", re.IGNORECASE)


def markdown(document: Document) -> str:
    """The report; nothing of any text in it is markup."""
    blocks = [f"# {_text(document.title)}", _text(document.about), f"**{_text(document.answer)}**"]
    blocks += [_text(document.certainty)] if document.certainty else []
    blocks += [_list(document.warnings)] if document.warnings else []
    for section in document.sections:
        blocks += _section(section, 2)
    return "\n\n".join(filter(None, blocks)) + "\n"


def _section(section: Section, rank: int) -> Iterator[str]:
    yield f"{'#' * rank} {_text(section.title)}"
    if said := summary(section):
        yield _text(said)
    for block in section.without_pictures():
        yield from _block(block)
    for part in section.parts:
        yield from _section(part, min(rank + 1, _DEEPEST))


def _block(block: Block) -> Iterator[str]:
    match block:
        case Paragraph(text):
            yield _text(text)
        case Sentences(items):
            yield _list(items)
        case Facts(pairs):
            yield _list(f"{name}: {known}" for name, known in pairs)
        case Checks(items):
            yield _list(f"{name}: {MARK_WORDS[mark]}; {detail}" for name, mark, detail in items)
        case Verbatim():
            yield from (_text(block.title), _fenced(block.text))
        case Table():
            yield from _table(block)
        case Chart():
            yield from _chart(block)
        case Beside(charts):
            for chart in charts:
                yield from _chart(chart)


def _chart(chart: Chart) -> Iterator[str]:
    """Its figures stand for it, unless other tables tell them; in words only where it has none."""
    if chart.told_below:
        return
    yield f"**{_text(chart.title)}**"
    if chart.table is None:
        yield _text(chart.alternative)
    else:
        yield from _table(chart.table, beneath=chart.title)


def _table(table: Table, beneath: str = "") -> Iterator[str]:
    if table.caption != beneath:
        yield _text(table.caption)
    rows = [
        _row([_text(heading(column)) for column in table.columns]),
        _row(["---:" if column.figures else "---" for column in table.columns]),
        *(_row([_text(cell.text if isinstance(cell, Number) else cell) for cell in row]) for row in table.rows),
    ]
    yield "\n".join(rows)
    if table.note:
        yield _text(table.note)


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _list(items: Iterator[str] | Sequence[str]) -> str:
    return "\n".join(f"- {_text(item)}" for item in items)


def _fenced(text: str) -> str:
    """Lines as they are, between fences that are longer than any in them."""
    within = lines(text)
    longest = max((len(run) for line in within for run in re.findall("`+", line)), default=0)
    fence = "`" * max(3, longest + 1)
    return "\n".join([f"{fence}text", *within, fence])


def _text(text: str) -> str:
    return _LINK.sub(lambda sign: f"\\{sign[0]}", escaped(text.strip()))
