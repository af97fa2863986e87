"""Charts of a report as pictures: one by its name, or an overview with the answer above the first of them."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from orchestrator.adapters.report.charts import compiled
from orchestrator.adapters.report.charts.frame import FONT
from orchestrator.adapters.report.charts.palette import DARK, LIGHT, Scheme
from orchestrator.adapters.report.document.parts import Chart, Document
from orchestrator.adapters.report.export.texts import shown
from orchestrator.core.verdict.words import some_of
from orchestrator.errors import InputError, Problem

_SVG = "http://www.w3.org/2000/svg"
_WIDTH_PX = 960
_EDGE_PX = 32
_INSIDE_PX = _WIDTH_PX - 2 * _EDGE_PX
#: Dots for each px of a PNG: sharp on screens of today, and in print at 15 cm.
_SCALE = 2
#: A letter is about so wide, as a part of the type's size; a line as high.
_LETTER, _LINE = 0.55, 1.4
_MOST_LINES = 6
_NAMES_TOLD = 12
_MOST_CHARTS = 6


@dataclass(frozen=True)
class Picture:
    """Charts below each other, with what is said above them.

    Attributes:
        title: above them; bold.
        about: below the title.
        charts: one or several.
        titled: whether each has a title of its own.
    """

    title: str
    about: str
    charts: tuple[Chart, ...]
    titled: bool = False

    @property
    def alternative(self) -> str:
        """What is to be seen in it."""
        return " ".join(chart.alternative for chart in self.charts)


def picture_of(document: Document, plot: str) -> Picture:
    """One chart by its id; or, where none is asked for, what shows the answer: those of the first section with any.

    A history shows its first cells.

    Raises:
        InputError: there is no such chart, or none at all.
    """
    charts = {chart.id: chart for chart in document.charts()}
    if not charts:
        raise InputError(
            [Problem("a picture", "", "there is nothing to draw: no trial of the report has a figure yet")]
        )
    if plot and plot not in charts:
        told = some_of([*charts], named=_NAMES_TOLD)
        raise InputError([Problem("--plot", "", f"the report has no chart {shown(plot)}; it has {told}")])
    if plot:
        return Picture(charts[plot].title, document.about, (charts[plot],))
    first, more = _overview(document)
    about = f"{document.about}; {len(first)} of {len(first) + more} charts" if more else document.about
    return Picture(document.answer, about, first, titled=True)


def _overview(document: Document) -> tuple[tuple[Chart, ...], int]:
    """What shows the answer, and how many charts alike are left out."""
    at_first = [tuple(section.charts(folded=False)) for section in document.sections]
    if document.kind == "history":
        cells = list(itertools.chain(*at_first))
        return tuple(cells[:_MOST_CHARTS]), len(cells[_MOST_CHARTS:])
    return next(filter(None, at_first), (next(document.charts()),)), 0


def svg(picture: Picture, scheme: Scheme) -> str:
    """The picture as SVG 1.1, with a title and a description for whoever does not see it."""
    colours = LIGHT if scheme == "light" else DARK
    root = ET.Element(f"{{{_SVG}}}svg", {"role": "img", "aria-labelledby": "title description"})
    ET.SubElement(root, f"{{{_SVG}}}title", {"id": "title"}).text = shown(picture.title)
    ET.SubElement(root, f"{{{_SVG}}}desc", {"id": "description"}).text = shown(picture.alternative)
    paper = ET.SubElement(root, f"{{{_SVG}}}rect", {"width": "100%", "height": "100%", "fill": colours["paper"]})
    below = _Below(root, colours["ink"], colours["soft"])
    below.lines(picture.title, 20, bold=True)
    below.lines(picture.about, 13, soft=True)
    for number, chart in enumerate(picture.charts):
        if picture.titled:
            below.lines(chart.title, 14, bold=True)
        below.chart(chart, scheme, number)
    height = f"{below.at_px + _EDGE_PX:.0f}"
    paper.set("height", height)
    root.attrib |= {"width": f"{_WIDTH_PX}", "height": height, "viewBox": f"0 0 {_WIDTH_PX} {height}"}
    ET.register_namespace("", _SVG)
    return ET.tostring(root, encoding="unicode") + "\n"


def png(picture: Picture, scheme: Scheme) -> bytes:
    """The same, dot by dot."""
    return compiled.rasterised(svg(picture, scheme), _SCALE)


class _Below:
    """Adds to a picture what stands below what is there already."""

    def __init__(self, root: ET.Element, ink: str, soft: str) -> None:
        self._root, self._ink, self._soft = root, ink, soft
        self.at_px = _EDGE_PX / 2

    def lines(self, text: str, size_px: int, *, bold: bool = False, soft: bool = False) -> None:
        """A text, on as many lines as it takes."""
        wrapped = textwrap.wrap(
            shown(text), int(_INSIDE_PX / (size_px * _LETTER)), max_lines=_MOST_LINES, placeholder=" ..."
        )
        self.at_px += size_px * 0.6
        for line in wrapped:
            self.at_px += size_px * _LINE
            look = {
                "x": f"{_EDGE_PX}",
                "y": f"{self.at_px:.1f}",
                "font-family": FONT,
                "font-size": f"{size_px}px",
                "font-weight": "bold" if bold else "normal",
                "fill": self._soft if soft else self._ink,
            }
            ET.SubElement(self._root, f"{{{_SVG}}}text", look).text = line

    def chart(self, chart: Chart, scheme: Scheme, number: int) -> None:
        """A chart, whose own names are kept apart from those of the others."""
        made = ET.fromstring(compiled.svg(chart, scheme, _INSIDE_PX))  # noqa: S314 - made here, from no one else's markup
        _apart(made.iter(), number)
        made.attrib |= {"x": f"{_EDGE_PX}", "y": f"{self.at_px + 6:.1f}", "aria-hidden": "true"}
        self._root.append(made)
        self.at_px += 6 + chart.height_px


def _apart(elements: Iterable[ET.Element], number: int) -> None:
    """Give whatever is referred to by an id one that no other chart has."""
    for element in elements:
        for key, value in element.attrib.items():
            if key == "id":
                element.set(key, f"chart-{number}-{value}")
            elif key.endswith("href") and value.startswith("#"):
                element.set(key, f"#chart-{number}-{value[1:]}")
            elif "url(#" in value:
                element.set(key, value.replace("url(#", f"url(#chart-{number}-"))
