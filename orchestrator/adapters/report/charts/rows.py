"""Cells below each other, grouped by threads: the rows that charts of cells share, and what is written beside them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Literal

import altair as alt

from orchestrator.adapters.report.charts.frame import LABEL_PX, SMALL_PX, Room, framed, inline, x2_at, x_at
from orchestrator.adapters.report.charts.palette import token
from orchestrator.adapters.report.plain import safe
from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.words import count

#: Charts of the same cells stand beside each other, so they keep the same room above their rows.
ROOM = Room(left=0, right=1, top=50, bottom=42)
#: Names take what they need, up to a part of the width, so that the plot has most of it; longer ones are cut.
_NAMES = "clamp(max(width * 0.21, min(width * 0.3, {wanted_px:.0f})), 92, 170)"
_LETTER_PX = 6.8
_INDENT_PX = 14
_BESIDE = f"names - {_INDENT_PX + 6}"
_HEADING_PX = 28
_ROOMY_PX = 36
_TIGHT_PX = 22
#: Up to so many cells there is room for a second line of words below each name.
_ROOMY_CELLS = 24
_MOST_BARS = 800
_NAME = 60
#: A name in a sentence.
_SAID = 120


@dataclass(frozen=True)
class Line:
    """A cell to be shown in a row.

    Attributes:
        cell: its id.
        shape, vcpus, threads: what it is.
        bars: vCPUs that are drawn in its row; 0 where none are.
    """

    cell: str
    shape: str
    vcpus: int
    threads: int
    bars: int = 0

    @property
    def named(self) -> str:
        """``two, two threads``."""
        return f"{safe(self.shape, _SAID)}, {count(self.threads, 'thread')}"


@dataclass(frozen=True)
class Row:
    """Where a cell is shown: px from the top of the plot."""

    line: Line
    top_px: float
    height_px: float

    @property
    def middle_px(self) -> float:
        """The row's middle."""
        return self.top_px + self.height_px / 2


@dataclass(frozen=True)
class Rows:
    """All rows of a chart.

    Attributes:
        rows: one a cell.
        headings: of each thread count, the top of its heading.
        height_px: of the plot.
        roomy: whether there is room for a second line below a name.
    """

    rows: tuple[Row, ...]
    headings: Mapping[int, float]
    height_px: int
    roomy: bool

    def framed(self, layers: Iterable[alt.Chart], room: Room) -> dict[str, Any]:
        """The specification of a chart of these rows; its layers may use ``names``, the width of their names."""
        longest = max(len(safe(row.line.shape, _NAME)) for row in self.rows)
        names = _NAMES.format(wanted_px=longest * _LETTER_PX + _INDENT_PX + 12)
        return framed(layers, self.height_px, room) | {"params": [{"name": "names", "expr": names}]}

    def layers(self, chosen: Collection[str], below: Mapping[str, str] | None = None) -> list[alt.Chart]:
        """Names of cells and headings of thread counts, as layers of :meth:`framed`.

        Args:
            chosen: ids of cells that are marked as recommended, by a sign and the word.
            below: what is said below a name where there is room, by cell; by default how many vCPUs it has.
        """
        lift = 7 if self.roomy else 0
        names = [
            {
                "cell": row.line.cell,
                "name": safe(row.line.shape, _NAME),
                "said": row.line.named,
                "y": row.middle_px - lift,
            }
            for row in self.rows
        ]
        signs = [name for name in names if name["cell"] in chosen]
        return [
            *self._headings(),
            _texts("names", names, "name", _Style(_BESIDE)).encode(tooltip=alt.Tooltip("said:N")),
            *(self._below(chosen, below or {}) if self.roomy else ()),
            *([_sign(signs)] if signs else []),
        ]

    def _below(self, chosen: Collection[str], below: Mapping[str, str]) -> Iterator[alt.Chart]:
        """The second lines: on narrow screens, the word alone for a recommended cell."""
        plain, marked = [], []
        for row in self.rows:
            size = below.get(row.line.cell, vcpus_text(row.line.vcpus))
            about = {"cell": row.line.cell, "y": row.middle_px + 8}
            if row.line.cell in chosen:
                marked.append(about | {"short": "recommended", "long": f"recommended, {size}"})
            else:
                plain.append(about | {"text": size})
        if plain:
            yield _texts("sizes", plain, "text", _Style(_BESIDE, size_px=SMALL_PX, colour="soft"))
        if marked:
            words = _texts("chosen", marked, "shown", _Style(_BESIDE, size_px=SMALL_PX, colour="plot-chosen"))
            yield words.transform_calculate(shown="names < 147 ? datum.short : datum.long")

    def _headings(self) -> list[alt.Chart]:
        lines = [{"threads": threads, "y": top} for threads, top in self.headings.items()]
        words = [
            {"threads": threads, "text": f"{threads} thread{'' if threads == 1 else 's'}", "y": top + 16}
            for threads, top in self.headings.items()
        ]
        return [
            inline(lines, "group_lines")
            .mark_rule(color=token("hairline"), aria=False)
            .encode(x=x_at(0), x2=x2_at("width"), y=alt.Y("y:Q", scale=None)),
            _texts("groups", words, "text", _Style("width", x_px=0, weight="bold")),
        ]


def lay_out(lines: Sequence[Line]) -> Rows:
    """Give each cell its row, below the heading of its thread count; in the order given, sorted by threads."""
    roomy = len(lines) <= _ROOMY_CELLS
    rows, headings, at = [], {}, 0.0
    for threads, alike in groupby(sorted(lines, key=lambda line: line.threads), key=lambda line: line.threads):
        headings[threads] = at
        at += _HEADING_PX
        for line in alike:
            height = max(_ROOMY_PX if roomy else _TIGHT_PX, line.bars * bar_px(line.bars, roomy=roomy) + 8)
            rows.append(Row(line, at, height))
            at += height
    return Rows(tuple(rows), headings, round(at + 4), roomy)


def bars_of(cell: CellEstimate, cells: Sequence[CellEstimate]) -> int:
    """How many bars show where a cell's time went: one a vCPU, or their mean where that is all that is known.

    Of very many cells only the means are drawn: a page is to stay small, and their tables hold each vCPU.
    """
    if sum(len(one.per_vcpu) for one in cells) > _MOST_BARS:
        return 1
    return max(len(cell.per_vcpu), 1)


def bar_px(vcpus: int, *, roomy: bool) -> float:
    """How much of a row's height each of so many vCPUs takes, px."""
    most, all_of_them = (10.0, 64.0) if roomy else (8.0, 16.0)
    return max(2.0, min(most, all_of_them / max(vcpus, 1)))


def figures_layer(
    rows: Sequence[Mapping[str, Any]], *, name: str, right_px: float = 0, small: bool = False
) -> alt.Chart:
    """A column of figures at the right edge, or so far from it; rows have ``y`` and ``text``."""
    size, colour = (SMALL_PX, token("soft")) if small else (LABEL_PX, token("ink"))
    layer: alt.Chart = (
        inline(rows, name)
        .mark_text(align="right", baseline="middle", fontSize=size, color=colour, aria=False)
        .encode(x=x_at(alt.ExprRef(f"width - {right_px}")), y=alt.Y("y:Q", scale=None), text=alt.Text("text:N"))
    )
    return layer


def vcpus_text(vcpus: int) -> str:
    """``1 vCPU``, ``4 vCPUs``."""
    return f"{vcpus} vCPU{'' if vcpus == 1 else 's'}"


def slug(name: str) -> str:
    """A name as a part of an id and of a file's name; where it has to be changed, a digest keeps it unique."""
    cleaned = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
    return cleaned if cleaned == name else f"{cleaned or 'x'}-{hashlib.sha256(name.encode()).hexdigest()[:6]}"


@dataclass(frozen=True)
class _Style:
    """How words are set: no wider than ``limit``, an expression."""

    limit: str
    x_px: float = _INDENT_PX
    size_px: int = LABEL_PX
    colour: str = "ink"
    weight: Literal["normal", "bold"] = "normal"


def _texts(name: str, rows: Sequence[Mapping[str, Any]], text: str, style: _Style) -> alt.Chart:
    layer: alt.Chart = (
        inline(rows, name)
        .mark_text(
            align="left",
            baseline="middle",
            fontSize=style.size_px,
            color=token(style.colour),
            fontWeight=style.weight,
            limit=alt.ExprRef(style.limit),
            aria=False,
        )
        .encode(x=x_at(style.x_px), y=alt.Y("y:Q", scale=None), text=alt.Text(f"{text}:N"))
    )
    return layer


def _sign(rows: Sequence[Mapping[str, Any]]) -> alt.Chart:
    layer: alt.Chart = (
        inline(rows, "signs")
        .mark_point(shape="triangle-right", size=70, filled=True, color=token("plot-chosen"), opacity=1, aria=False)
        .encode(x=x_at(5), y=alt.Y("y:Q", scale=None))
    )
    return layer
