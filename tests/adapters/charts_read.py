"""Charts read back from the pictures that they make: what is told of each mark, its texts, and where it lies."""

from __future__ import annotations

import json
import re
from typing import Any
from xml.etree import ElementTree as ET

from orchestrator.adapters.report.charts.compiled import svg
from orchestrator.adapters.report.document.parts import Chart

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
_DRAWN: dict[str, str] = {}


def as_svg(chart: Chart, width_px: int) -> str:
    """The picture of a chart, on light paper; the same one is drawn once, since that takes a tenth of a second."""
    key = json.dumps([chart.spec, chart.data, chart.height_px, width_px])
    if key not in _DRAWN:
        _DRAWN[key] = svg(chart, "light", width_px)
    return _DRAWN[key]


def drawn(chart: Chart, width_px: int = 720) -> ET.Element:
    """The same, to be looked through."""
    return ET.fromstring(as_svg(chart, width_px))


def told(picture: ET.Element) -> list[str]:
    """What is told of each mark to whoever does not see it; of axes and groups too."""
    return [label for element in picture.iter() if (label := element.get("aria-label"))]


def texts(picture: ET.Element) -> list[str]:
    """All that is written in it."""
    return [element.text for element in picture.iter("{http://www.w3.org/2000/svg}text") if element.text]


def mark(picture: ET.Element, label: str) -> ET.Element:
    """The only mark of which this is told."""
    (found,) = [element for element in picture.iter() if element.get("aria-label") == label]
    return found


def path(element: ET.Element) -> list[float]:
    """The numbers of a mark's path, as they are written."""
    return [float(number) for number in _NUMBER.findall(element.get("d") or "")]


def rows(chart: Chart, name: str) -> list[dict[str, Any]]:
    """The rows of one layer of its specification."""
    (layer,) = [layer for layer in chart.spec["layer"] if layer.get("name") == name]
    found: list[dict[str, Any]] = chart.spec["datasets"][layer["data"]["name"]]
    return found
