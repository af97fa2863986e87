"""A report as a workbook (Office Open XML, ISO/IEC 29500): a sheet with the answer, and one for each table.

Figures are numbers, unrounded; every text is a text, so that nothing of it is ever computed or followed.
"""

from __future__ import annotations

import io
import itertools
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import xlsxwriter

from orchestrator.adapters.report.document.parts import Cell, Column, Document, Number, Section, Table
from orchestrator.adapters.report.export.texts import heading, shown

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

#: Excel's limits on the name of a sheet: characters that are none of it, its length in UTF-16, a name that is taken.
_NOT_IN_NAMES = re.compile(r"[\[\]:*?/\\]")
_LONGEST_NAME = 31
_TAKEN = frozenset({"history"})
#: A name that is cut does not end with these.
_LEFT_OVER = re.compile(r"(?:,|\s+(?:and|the|of|in|a))+$")
#: Widths in characters.
_NARROWEST, _WIDEST = 8, 60
_PAGE = 100
#: The earliest that a zip file can tell. The same report gives the same bytes, whenever it is written.
_CREATED = datetime(1980, 1, 1)
_ANSWER = "answer"


def workbook(document: Document) -> bytes:
    """The report's tables, those of its charts among them."""
    content = io.BytesIO()
    with xlsxwriter.Workbook(content, {"in_memory": True}) as book:
        book.set_properties({"title": shown(document.title), "comments": shown(document.answer), "created": _CREATED})
        book.set_size(1600, 1000)
        formats = _Formats(book)
        names = _Names()
        answer = book.add_worksheet(names.new(_ANSWER))
        sheets = []
        for table, whose in _told_apart(document):
            sheet = book.add_worksheet(names.new(table.caption.removesuffix(whose), whose))
            _fill(sheet, table, formats)
            sheets.append((sheet.name, shown(table.caption)))
        _fill_answer(answer, document, sheets, formats)
    return content.getvalue()


def _told_apart(document: Document) -> Iterator[tuple[Table, str]]:
    """All tables; of several runs those that are called alike with the section that they are of, and how it ends so."""
    found = [(section, table) for section in document.sections for table in tables_of(section)]
    times = Counter(table.caption for _, table in found)
    for section, table in found:
        whose = f", {section.title[:1].lower()}{section.title[1:]}" if times[table.caption] > 1 else ""
        yield replace(table, caption=f"{table.caption}{whose}"), whose


def tables_of(section: Section) -> list[Table]:
    """The tables of a section. Those of its parts that have the same columns, such as the trials', become one."""
    alike: dict[tuple[Column, ...], list[tuple[str, Table]]] = {}
    for part in section.parts:
        for table in tables_of(part):
            alike.setdefault(table.columns, []).append((part.title, table))
    own = replace(section, parts=()).tables()
    return [*own, *(named[0][1] if len(named) == 1 else _joined(named) for named in alike.values())]


def _joined(named: Sequence[tuple[str, Table]]) -> Table:
    """Tables below each other, with what each is of in a column before the others."""
    first = named[0][1]
    marks: list[int] = []
    rows: list[tuple[Cell, ...]] = []
    for title, table in named:
        marks += [len(rows) + at for at in table.marked]
        rows += [(title, *row) for row in table.rows]
    return Table(
        caption=_common_end([table.caption for _, table in named]) or first.caption,
        columns=(Column("of"), *first.columns),
        rows=tuple(rows),
        marked=frozenset(marks),
        note=" ".join(dict.fromkeys(table.note for _, table in named if table.note)),
    )


def _common_end(captions: Sequence[str]) -> str:
    """The words that all end with: ``stages`` of ``Trial 1: stages`` and ``Trial 2: stages``."""
    ends = [caption.split()[::-1] for caption in captions]
    alike = itertools.takewhile(lambda words: len(set(words)) == 1, zip(*ends, strict=False))
    return " ".join([words[0] for words in alike][::-1])


class _Names:
    """Names of sheets: legal, and different to whoever does not mind capitals."""

    def __init__(self) -> None:
        self._used = set(_TAKEN)

    def new(self, wish: str, end: str = "") -> str:
        """A name near a wish, with an end that is kept if there is room; cut after a whole word where it has to be."""
        wish, end = (_NOT_IN_NAMES.sub(" ", shown(text)) for text in (wish, end))
        end = _cut(end, _LONGEST_NAME // 2).rstrip("' ")
        wish = wish.strip("' ") or "table"
        for number in range(1, len(self._used) + 2):
            ending = end if number == 1 else f"{end} {number}"
            name = _cut(wish, _LONGEST_NAME - len(ending.encode("utf-16-le")) // 2).rstrip("' ,") + ending
            if name.casefold() not in self._used:
                break
        self._used.add(name.casefold())
        return name


def _cut(text: str, units: int) -> str:
    """As many words as take so many code units of UTF-16; of a single long one as many characters."""
    whole = text
    while len(text.encode("utf-16-le")) > 2 * units:
        text = text[:-1]
    cut_word = text != whole and not whole[len(text)].isspace() and " " in text.strip()
    return _LEFT_OVER.sub("", text.rpartition(" ")[0] if cut_word else text) if text != whole else text


class _Formats:
    """How cells look; a figure is shown with as many decimals as the report gives it."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self._book = book
        self._numbers: dict[tuple[int, bool], Format] = {}
        # With the sign that marks a text as one it stays a text when somebody edits it, whatever it begins with.
        wrapped: Mapping[str, object] = {"text_wrap": True, "valign": "top", "quote_prefix": True}
        self.title = book.add_format({"bold": True, "font_size": 14, **wrapped})
        self.answer = book.add_format({"bold": True, **wrapped})
        self.text = book.add_format({**wrapped})
        self.heads = {
            figures: book.add_format({"bold": True, "bottom": 1, "align": "right" if figures else "left", **wrapped})
            for figures in (False, True)
        }
        self.cells = {
            marked: book.add_format({"bold": marked, "valign": "top", "quote_prefix": True}) for marked in (False, True)
        }

    def number(self, text: str, *, marked: bool) -> Format:
        """For a figure as the report writes it."""
        found = re.search(r"\.(\d+)", text)
        decimals = len(found[1]) if found else 0
        if (decimals, marked) not in self._numbers:
            pattern = f"0.{'0' * decimals}" if decimals else "0"
            self._numbers[decimals, marked] = self._book.add_format(
                {"num_format": pattern, "bold": marked, "valign": "top"}
            )
        return self._numbers[decimals, marked]


def _fill_answer(sheet: Worksheet, document: Document, sheets: list[tuple[str, str]], formats: _Formats) -> None:
    """What was asked and answered, and what stands on the other sheets."""
    lines = [(document.title, formats.title), (document.about, formats.text), (document.answer, formats.answer)]
    lines += [(text, formats.text) for text in (document.certainty, *document.warnings) if text]
    for row, (text, look) in enumerate(lines):
        sheet.merge_range(row, 0, row, 1, "", look)
        sheet.write_string(row, 0, shown(text), look)
        sheet.set_row(row, 20 * math.ceil(len(shown(text)) / _PAGE) if text else None)
    for row, pair in enumerate([("sheet", "what it holds"), *sheets], start=len(lines) + 1):
        for column, text in enumerate(pair):
            sheet.write_string(row, column, text, formats.heads[False] if pair[0] == "sheet" else formats.text)
    sheet.set_column(0, 0, _LONGEST_NAME)
    sheet.set_column(1, 1, _PAGE - _LONGEST_NAME)


def _fill(sheet: Worksheet, table: Table, formats: _Formats) -> None:
    for at, column in enumerate(table.columns):
        sheet.write_string(0, at, heading(column), formats.heads[column.figures])
        texts = [heading(column), *(shown(_text(row[at])) for row in table.rows)]
        longest_word = max(map(len, heading(column).split()), default=0)
        widest = max((len(text) for text in texts[1:]), default=0)
        sheet.set_column(at, at, min(max(widest, longest_word, _NARROWEST) + 2, _WIDEST))
    for row, cells in enumerate(table.rows, start=1):
        for at, cell in enumerate(cells):
            _write(sheet, (row, at), cell, formats, marked=row - 1 in table.marked)
    sheet.freeze_panes(1, 1)
    for row, note in enumerate(_notes(table), start=len(table.rows) + 2):
        sheet.write_string(row, 0, note, formats.cells[False])


def _notes(table: Table) -> Iterator[str]:
    """What a reader has to know, below the rows: a sheet's name has no room for all of the caption."""
    yield shown(table.caption)
    if table.note:
        yield shown(table.note)


def _write(sheet: Worksheet, place: tuple[int, int], cell: Cell, formats: _Formats, *, marked: bool) -> None:
    """A number where there is one; what is unavailable stays empty, as in every table for programs."""
    if isinstance(cell, Number) and cell.value is not None and math.isfinite(cell.value):
        sheet.write_number(*place, cell.value, formats.number(cell.text, marked=marked))
    elif (text := shown(_text(cell))) not in {"", "?"}:
        sheet.write_string(*place, text, formats.cells[marked])


def _text(cell: Cell) -> str:
    return cell.text if isinstance(cell, Number) else cell
