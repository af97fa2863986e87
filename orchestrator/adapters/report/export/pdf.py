"""A report as a PDF of A4 pages: tagged, titled, with alternative texts, for screen readers as well as for paper.

The template beside this module is fixed. It reads what there is to say as JSON and the charts as SVG, so that no text
is ever markup. Fonts are those that typst brings along: the same report looks the same on every machine.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Iterable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from orchestrator.adapters.report.charts import compiled
from orchestrator.adapters.report.charts.palette import LIGHT
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
from orchestrator.adapters.report.export.texts import lines, shown, summary
from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.words import shortened
from orchestrator.errors import InputError, Problem

#: Of the text on a page, at 96 px an inch: A4 less its margins. Charts beside each other are reduced.
_WIDTH_PX = 658
_BESIDE_PX = 420
#: Tables that follow each other stand side by side as long as they have no more columns together.
_COLUMNS_BESIDE = 8
#: Words longer than this may be broken wherever a line ends: nothing else keeps them on the page. Ids and paths have
#: hyphens and slashes to be broken at, and digests fit: what is copied from a page has to be what it looks like.
_UNBROKEN = re.compile(r"(?<![^\s/-])(?![0-9a-f]{64}(?!\w))[^\s/-]{41,}")
_PIECE = re.compile(r".{8}(?=.)")
#: A column with a text longer than so many characters takes what room the others leave.
_LONG = 30
_DEEPEST = 6
#: Characters that a line at the foot of a page has room for.
_FOOTER = 110


def pdf(document: Document) -> bytes:
    """The report.

    Where every letter of it is in the fonts that typst brings along it conforms to PDF/UA-1 (ISO 14289-1). Other
    letters are drawn with fonts of this machine, as far as it has them.

    Raises:
        InputError: typst is not installed.
    """
    try:
        import typst  # noqa: PLC0415 - an extra
    except ImportError as error:
        message = "needs typst, which is not installed; install it with: pip install 'trialbed[pdf]'"
        raise InputError([Problem("a PDF", "", message)]) from error

    with tempfile.TemporaryDirectory(prefix="trialbed-report-") as name:
        folder = Path(name)
        _Pages(folder).write(document)
        template = folder / "report.typ"
        template.write_bytes(files(__package__).joinpath("report.typ").read_bytes())
        try:
            made = typst.compile(template, root=folder, ignore_system_fonts=True, pdf_standards="ua-1")
        except typst.TypstError:
            made = typst.compile(template, root=folder)
    return bytes(made)


class _Pages:
    """What the template reads, in a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._charts = 0

    def write(self, document: Document) -> None:
        said = {
            "title": _title(document.title),
            "about": _text(document.about),
            "footer": shortened(shown(document.about), _FOOTER),
            "answer": _text(document.answer),
            "certainty": _text(document.certainty),
            "mark": document.mark,
            "warnings": [_text(warning) for warning in document.warnings],
            "sections": [one for section in document.sections for one in self._sections(section, 1)],
            "colours": dict(LIGHT),
        }
        (self._folder / "report.json").write_text(json.dumps(said), encoding="ascii")

    def _sections(self, section: Section, rank: int) -> Iterator[dict[str, Any]]:
        yield {
            "rank": rank,
            "title": _title(section.title),
            "summary": _text(summary(section)),
            "mark": section.mark,
            "blocks": [*_paired([self._block(block) for block in section.blocks])],
        }
        for part in section.parts:
            yield from self._sections(part, min(rank + 1, _DEEPEST))

    def _block(self, block: Block) -> dict[str, Any]:
        said: dict[str, Any]
        match block:
            case Paragraph(text):
                said = {"text": _text(text)}
            case Sentences(items):
                said = {"items": [_text(item) for item in items]}
            case Facts(pairs):
                said = {"pairs": [[_text(name), _text(known)] for name, known in pairs]}
            case Checks(items):
                said = {"items": [[_text(name), mark, MARK_WORDS[mark], _text(told)] for name, mark, told in items]}
            case Verbatim(title, text):
                said = {"title": _text(title), "lines": [_broken(line) for line in lines(text)]}
            case Table():
                said = _table(block)
            case Chart():
                said = self._chart(block, _WIDTH_PX)
            case Beside(charts):
                said = {"charts": [self._chart(chart, _BESIDE_PX) for chart in charts]}
        return {"kind": type(block).__name__.lower(), **said}

    def _chart(self, chart: Chart, width_px: int) -> dict[str, Any]:
        self._charts += 1
        name = f"chart-{self._charts}.svg"
        (self._folder / name).write_text(compiled.svg(chart, "light", width_px), encoding="utf-8")
        return {"title": _text(chart.title), "alternative": shown(chart.alternative), "file": name}


def _paired(blocks: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Two small tables in a row take the room of one."""
    waiting: dict[str, Any] | None = None
    for block in blocks:
        is_table = block["kind"] == "table"
        if waiting and is_table and len(waiting["columns"]) + len(block["columns"]) <= _COLUMNS_BESIDE:
            yield {"kind": "pair", "tables": [waiting, block]}
            waiting = None
            continue
        if waiting:
            yield waiting
        waiting = block if is_table else None
        if not is_table:
            yield block
    if waiting:
        yield waiting


def _table(table: Table) -> dict[str, Any]:
    """A table; where it has many columns, the last of which holds sentences, these stand below their rows."""
    rows = [[_text(cell.text if isinstance(cell, Number) else cell) for cell in row] for row in table.rows]
    long = [max((len(row[at]) for row in rows), default=0) > _LONG for at in range(len(table.columns))]
    columns = [
        {"name": _text(column.name), "unit": _text(column.unit), "figures": column.figures, "long": is_long}
        for column, is_long in zip(table.columns, long, strict=True)
    ]
    return {
        "caption": _text(table.caption),
        "columns": columns,
        "rows": rows,
        "aside": len(columns) > _COLUMNS_BESIDE and long[-1],
        "marked": sorted(table.marked),
        "note": _text(table.note),
    }


def _title(text: str) -> str:
    return _broken(safe(text))


def _text(text: str) -> str:
    return _broken(shown(text))


def _broken(text: str) -> str:
    """With places to break what has none: zero width spaces."""
    return _UNBROKEN.sub(lambda word: _PIECE.sub("\\g<0>\u200b", word[0]), text)
