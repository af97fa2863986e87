"""The parts that a report is made of. Every text in them is plain: whoever shows it escapes it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal, TypeAlias

#: How a thing stands, for a mark beside it that is never told by colour alone.
Mark = Literal["good", "doubt", "bad", "open", "none"]
#: What a mark says, beside its sign or in its place.
MARK_WORDS: Mapping[Mark, str] = {
    "good": "in order",
    "doubt": "in doubt",
    "bad": "not in order",
    "open": "not known",
    "none": "",
}


@dataclass(frozen=True)
class Number:
    """A figure of a table.

    Attributes:
        text: as a person reads it, in the unit of its column; ``?`` where it is unavailable.
        value: the same, unrounded, for spreadsheets; ``None`` where it is unavailable.
    """

    text: str
    value: float | None


#: What stands in a table.
Cell: TypeAlias = str | Number


@dataclass(frozen=True)
class Column:
    """A column of a table; the unit stands in its heading, never in its cells, so that it copies cleanly."""

    name: str
    unit: str = ""
    figures: bool = False


@dataclass(frozen=True)
class Table:
    """Rows below headings.

    Attributes:
        caption: what it shows; read out by screen readers, and the name of a spreadsheet's sheet.
        columns: as many as each row has cells.
        rows: in the order in which they are shown.
        marked: positions of the rows that are to stand out, such as recommended shapes; a cell says it in words too.
        note: what a reader has to know below it.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    marked: frozenset[int] = frozenset()
    note: str = ""


@dataclass(frozen=True)
class Chart:
    """A chart.

    Attributes:
        id: unique within its document, fit for a file name: ``throughput-bookings``, ``trial-7``.
        title: what it shows, with the unit of its figures.
        alternative: what is to be seen in it, with figures, in sentences for whoever does not see it.
        spec: Vega-Lite; colours are names of :mod:`orchestrator.adapters.report.charts.palette`, and ``width`` is
            ``container``.
        height_px: of the whole of it, axes included, so that room is kept before it is drawn.
        data: rows for the named data sets of ``spec``; empty where it holds its own.
        template: charts with the same one differ in ``data`` alone, and share ``spec``; empty where it stands alone.
        table: its figures.
        told_below: whether tables beside it hold all of its figures, so that files of text and tables do without it.
    """

    id: str
    title: str
    alternative: str
    spec: Mapping[str, Any]
    height_px: int
    data: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    template: str = ""
    table: Table | None = None
    told_below: bool = False


@dataclass(frozen=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True)
class Sentences:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Facts:
    """Names with what is known of each."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Checks:
    """What was looked at, how it stands, and in which words: name, mark, detail."""

    items: tuple[tuple[str, Mark, str], ...]


@dataclass(frozen=True)
class Verbatim:
    """Text as it was given or is to be typed, line by line; ``title`` says what it is."""

    title: str
    text: str
    folded: bool = False


@dataclass(frozen=True)
class Beside:
    """Charts beside each other where there is room, whose rows correspond."""

    charts: tuple[Chart, ...]


Block: TypeAlias = Paragraph | Sentences | Facts | Checks | Verbatim | Table | Chart | Beside


@dataclass(frozen=True)
class Section:
    """A part with a heading.

    Attributes:
        id: unique within the document, for links: ``throughput``, ``trial-7``.
        title: its heading.
        blocks: what it says.
        parts: sections below it.
        folded: whether it is shown closed at first.
        mark: how it stands.
        summary: in a few words, beside the heading of a folded one.
    """

    id: str
    title: str
    blocks: tuple[Block, ...] = ()
    parts: tuple[Section, ...] = ()
    folded: bool = False
    mark: Mark = "none"
    summary: str = ""

    def charts(self, *, folded: bool = True) -> Iterator[Chart]:
        """All charts in it, in order; those in folded parts as well, or not."""
        for block in self.blocks:
            yield from _charts(block)
        for part in self.parts:
            if folded or not part.folded:
                yield from part.charts(folded=folded)

    def without_pictures(self) -> list[Block]:
        """Its blocks for files of text and tables: where a table tells a chart's figures, it comes where that stood."""
        ordered = list(self.blocks)
        for at, (block, below) in enumerate(pairwise(self.blocks)):
            if isinstance(below, Table) and any(chart.told_below for chart in _charts(block)):
                ordered[at : at + 2] = below, block
        return ordered

    def tables(self) -> Iterator[Table]:
        """All tables in it, in order, and in place of charts theirs; none whose figures another one has as well."""
        for block in self.without_pictures():
            if isinstance(block, Table):
                yield block
            yield from (chart.table for chart in _charts(block) if chart.table is not None and not chart.told_below)
        for part in self.parts:
            yield from part.tables()


def _charts(block: Block) -> tuple[Chart, ...]:
    """The charts that a block is."""
    return (block,) if isinstance(block, Chart) else block.charts if isinstance(block, Beside) else ()


@dataclass(frozen=True)
class Document:
    """A whole report.

    Attributes:
        kind: of one run, of runs set against each other, or of cells through many runs.
        title: what was asked.
        about: what it is about, in a line: run, guest, when.
        answer: in a sentence or two.
        certainty: how sure that is, in a sentence; empty where the answer says it.
        mark: how the answer stands.
        warnings: what must not be overlooked: guests that were not put back, damaged files, a simulated guest.
        sections: the rest, in the order in which it is read.
    """

    kind: Literal["run", "comparison", "history"]
    title: str
    about: str
    answer: str
    certainty: str
    mark: Mark
    warnings: tuple[str, ...]
    sections: tuple[Section, ...]

    def charts(self) -> Iterator[Chart]:
        """All charts, in order."""
        for section in self.sections:
            yield from section.charts()

    def tables(self) -> Iterator[Table]:
        """All tables, in order."""
        for section in self.sections:
            yield from section.tables()
