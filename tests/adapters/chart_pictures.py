"""Charts as they are drawn, for tests that count their marks and look where they lie; and cells to draw."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any
from xml.etree import ElementTree

import altair as alt
from charts_read import as_svg

from orchestrator.adapters.report.charts.throughput import TrialPoint
from orchestrator.adapters.report.document.parts import Chart
from orchestrator.core.verdict.cells import CellEstimate, Shares

HOSTILE = "<script>alert(1)</script>\x1b[31m\u202eevil\n"
BUSY = Shares(run=0.6, wait=0.1, idle=0.3)


class Picture:
    """A chart drawn without a browser."""

    def __init__(self, chart: Chart, width_px: int = 720) -> None:
        self.text = as_svg(chart, width_px)
        self.root = ElementTree.fromstring(self.text)
        self.size = (int(self.root.attrib["width"]), int(self.root.attrib["height"]))

    def marks(self, name: str) -> list[ElementTree.Element]:
        """The marks of a layer."""
        return [
            mark
            for group in self.root.iter("{http://www.w3.org/2000/svg}g")
            if group.attrib.get("class", "").endswith(f" {name}_marks")
            for mark in group
        ]

    def said(self, name: str) -> list[str]:
        """What a screen reader is told of each of them."""
        return [mark.attrib["aria-label"] for mark in self.marks(name)]

    def words(self, name: str) -> list[str]:
        """Texts of a layer."""
        return ["".join(mark.itertext()) for mark in self.marks(name)]

    def axis(self) -> list[str]:
        """Labels of all axes."""
        return [
            "".join(label.itertext())
            for group in self.root.iter("{http://www.w3.org/2000/svg}g")
            if "role-axis-label" in group.attrib.get("class", "")
            for label in group
        ]

    def places(self, name: str) -> list[tuple[float, float]]:
        """Where the marks of a layer lie, px from the plot's corner."""
        return [_place(mark) for mark in self.marks(name)]


def _place(mark: ElementTree.Element) -> tuple[float, float]:
    found = re.fullmatch(r"translate\(([-\d.e]+),([-\d.e]+)\).*", mark.attrib["transform"])
    assert found is not None
    return float(found[1]), float(found[2])


def rows_of(chart: Chart, layer: str) -> list[Mapping[str, Any]]:
    """The rows of data behind a layer."""
    named = {part["name"]: part["data"] for part in chart.spec["layer"] if "name" in part}
    data = named[layer]
    return list(data["values"] if "values" in data else chart.spec["datasets"][data["name"]])


def texts_of(chart: Chart) -> Iterator[str]:
    """Every text that a chart could show."""
    yield from (chart.title, chart.alternative)
    for part in chart.spec["layer"]:
        for row in rows_of(chart, part["name"]):
            yield from (value for key, value in row.items() if isinstance(value, str) and key not in {"cell", "trial"})


def check_schema(chart: Chart) -> None:
    """Hold a specification against the JSON Schema of Vega-Lite, as Altair brings it."""
    alt.LayerChart.validate(dict(chart.spec))


def cell(shape: str = "two", threads: int = 1, per_s: float = 100.0, **facts: Any) -> CellEstimate:
    """A cell of the ferry line's bookings, with two vCPUs that are busy unless told otherwise."""
    vcpus = facts.setdefault("vcpus", 2)
    shares = facts.pop("shares", BUSY)
    about: dict[str, Any] = {
        "id": f"{shape}-bookings-t{threads}",
        "shape": shape,
        "memory": 2**30,
        "workload": "bookings",
        "threads": threads,
        "trials": 3,
        "throughput_per_s": per_s,
        "low": per_s * 0.9,
        "high": per_s * 1.1,
        **shares.model_dump(),
        "per_vcpu": (shares,) * vcpus,
        "cpu_seconds_per_operation": None,
    }
    return CellEstimate(**(about | facts))


def trial(of: CellEstimate, number: int, **facts: Any) -> TrialPoint:
    """A steady trial of a cell, at its mean."""
    about: dict[str, Any] = {
        "cell": of.id,
        "trial": f"{number:04}-{of.id}-b1",
        "number": number,
        "block": 1,
        "per_s": of.throughput_per_s,
        "low": of.throughput_per_s * 0.98,
        "high": of.throughput_per_s * 1.02,
        "steady": True,
    }
    return TrialPoint(**(about | facts))
