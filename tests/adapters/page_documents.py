"""A small report and a way to read pages, for tests of the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

from orchestrator.adapters.report.document.parts import (
    Beside,
    Chart,
    Checks,
    Column,
    Document,
    Facts,
    Number,
    Paragraph,
    Section,
    Sentences,
    Table,
    Verbatim,
)

# WHATWG HTML, 13.1.2: elements without an end tag, and the elements of SVG that are written here without one.
_VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


def rates_table(cell: str = "one, 1 thread") -> Table:
    return Table(
        "Throughput by cell",
        (Column("cell"), Column("mean", "per second", figures=True), Column("steal", "%", figures=True)),
        ((cell, Number("95.3", 95.31250000000001), Number("?", None)), ("two, 1 thread", Number("79", 79.0), "none")),
        marked=frozenset({0}),
        note="Intervals are simultaneous.",
    )


def bars_chart(name: str = "throughput-bookings", cell: str = "one, 1 thread") -> Chart:
    """Holds its own rows."""
    spec = {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "data": {"values": [{"cell": cell, "per_s": 95.3125}]},
        "mark": "bar",
        "width": "container",
        "padding": {"left": 90, "right": 16, "top": 8, "bottom": 40},
        "autosize": {"type": "none", "contains": "padding"},
        "encoding": {"x": {"field": "per_s", "type": "quantitative"}, "y": {"field": "cell", "type": "nominal"}},
    }
    return Chart(name, "Throughput, per second", f"{cell} gives 95.3 a second.", spec, 300, table=rates_table(cell))


def trial_chart(number: int, points: int = 3, note: str = "") -> Chart:
    """One of many with the same specification."""
    spec = {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "data": {"name": "rates"},
        "mark": "line",
        "width": "container",
        "padding": {"left": 60, "right": 16, "top": 8, "bottom": 40},
        "autosize": {"type": "none", "contains": "padding"},
        "encoding": {"x": {"field": "at_s", "type": "quantitative"}, "y": {"field": "per_s", "type": "quantitative"}},
    }
    rates = [{"at_s": float(at), "per_s": 150.0 + (at * 7919 % 1000) / 999, "note": note} for at in range(points)]
    return Chart(f"trial-{number}", f"Trial {number}", "Level.", spec, 264, {"rates": rates}, template="trial")


def trial_section(number: int, points: int = 3, note: str = "") -> Section:
    return Section(
        f"trial-{number}",
        f"Trial {number}",
        (trial_chart(number, points, note), Checks((("clock rate", "good", "within 0.1 %"), ("load", "bad", note)))),
        folded=True,
        mark="doubt",
        summary=f"one, 1 thread: 95.3 per second{note}",
    )


def ferry_document(said: str = "", trials: int = 2, points: int = 3) -> Document:
    """A report with every kind of part; ``said`` is in every text of it, as if a guest or a plan had put it there."""
    bars, wait = bars_chart(cell=f"one{said}"), bars_chart("time-bookings", cell=f"one{said}")
    return Document(
        kind="run",
        title=f"How many vCPUs does the bookings database need?{said}",
        about=f"Run of night.yaml on bookings-1{said}",
        answer=f"One vCPU is enough{said}.",
        certainty=f"Shown at 95 % confidence{said}.",
        mark="good",
        warnings=(f"bookings-1 was not put back{said}",),
        sections=(
            Section("throughput", f"Throughput{said}", (Beside((bars, wait)), Paragraph(f"A row is a cell{said}"))),
            Section(
                "reasons", "Reasons", (Sentences((f"It waits{said}",)), Facts(((f"CPU{said}", f"simulated{said}"),)))
            ),
            Section("trials", "Trials", (), tuple(trial_section(at, points, said) for at in range(1, trials + 1))),
            Section("checks", "Checks", (Checks(((f"load{said}", "open", f"not told{said}"),)), rates_table(said))),
            Section("plan", "Plan", (Verbatim(f"plan.yaml{said}", f"title: night\r\nguest: bookings-1{said}\n"),)),
            Section("versions", "Versions", (Verbatim("Lab", f"a{said}", folded=True),), folded=True, summary=said),
        ),
    )


@dataclass
class Element:
    tag: str
    attributes: dict[str, str | None]
    parent: Element | None = None
    children: list[Element] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)

    def within(self) -> Iterator[Element]:
        for child in self.children:
            yield child
            yield from child.within()

    def all(self, tag: str, **attributes: str) -> list[Element]:
        """Those within with this tag and these attributes, ``class_`` for ``class``."""
        wanted = {name.rstrip("_"): value for name, value in attributes.items()}
        return [
            element
            for element in self.within()
            if element.tag == tag and all(element.attributes.get(name) == value for name, value in wanted.items())
        ]

    @property
    def text(self) -> str:
        return "".join(self.texts)


class PageReader(HTMLParser):
    """Reads a page into elements, and objects to a tag that ends what is not open, or does not end."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self._open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute stands twice in {tag}: {names}"
        element = Element(tag, dict(attrs), self._open[-1])
        self._open[-1].children.append(element)
        if tag not in _VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self._open[-1].tag == tag, f"</{tag}> ends {self._open[-1].tag}"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element.texts.append(data)


def read(page: str) -> Element:
    reader = PageReader()
    reader.feed(page)
    reader.close()
    assert len(reader._open) == 1, f"not ended: {[element.tag for element in reader._open]}"
    return reader.root
