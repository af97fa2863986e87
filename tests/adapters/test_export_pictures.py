"""Pictures of reports, read by an XML parser and by their first bytes."""

from __future__ import annotations

import struct
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from export_documents import HOSTILE, chart, document, hostile

from orchestrator.adapters.report.charts.palette import DARK, LIGHT
from orchestrator.adapters.report.document.parts import Section
from orchestrator.adapters.report.export.pictures import picture_of, png, svg
from orchestrator.adapters.report.plain import safe
from orchestrator.errors import InputError

SVG = "{http://www.w3.org/2000/svg}"


def texts(root: ET.Element) -> list[str]:
    return ["".join(element.itertext()) for element in root.iter(f"{SVG}text")]


def test_an_overview_has_the_answer_above_the_charts_of_the_first_section() -> None:
    picture = picture_of(document(), "")
    assert picture.title == document().answer
    assert [chart.id for chart in picture.charts] == ["throughput-bookings", "time-bookings"]
    root = ET.fromstring(svg(picture, "light"))
    assert texts(root)[0] == "Take shape two (2 vCPUs) for two threads."
    assert texts(root).count("Throughput of bookings, operations a second") == 2
    assert len([*root.iter(f"{SVG}svg")]) == 3


def test_charts_of_closed_parts_are_no_overview() -> None:
    report = document()
    later = replace(report, sections=(report.sections[2], report.sections[0]))
    assert [chart.id for chart in picture_of(later, "").charts] == ["throughput-bookings", "time-bookings"]
    assert [chart.id for chart in picture_of(replace(report, sections=report.sections[2:3]), "").charts] == ["trial-1"]


def test_a_history_shows_its_first_cells_and_says_how_many_there_are() -> None:
    cells = tuple(Section(f"cell-{n}", f"Cell {n}", (chart(f"cell-{n}"),)) for n in range(8))
    picture = picture_of(document(kind="history", sections=cells), "")
    assert [chart.id for chart in picture.charts] == [f"cell-{n}" for n in range(6)]
    assert picture.about.endswith("; 6 of 8 charts")


def test_one_chart_is_drawn_by_its_id() -> None:
    picture = picture_of(document(), "trial-1")
    assert [chart.id for chart in picture.charts] == ["trial-1"]
    assert texts(ET.fromstring(svg(picture, "light")))[0] == "Throughput of bookings, operations a second"


def test_a_chart_that_is_not_there_is_told_with_those_that_are() -> None:
    with pytest.raises(InputError, match=r"no chart trial-9; it has throughput-bookings, time-bookings and trial-1"):
        picture_of(document(), "trial-9")


def test_a_report_without_a_chart_gives_no_picture() -> None:
    with pytest.raises(InputError, match="there is nothing to draw"):
        picture_of(document(sections=()), "")


def test_what_is_to_be_seen_is_told_to_whoever_does_not_see_it() -> None:
    """W3C, SVG 2, 5.8: title and desc; WAI-ARIA 1.2: role img, labelled by them."""
    root = ET.fromstring(svg(picture_of(document(), ""), "light"))
    labels = {element.get("id"): element.text or "" for element in root if element.get("id")}
    assert root.get("role") == "img"
    assert [*labels] == (root.get("aria-labelledby") or "").split()
    assert labels["title"] == document().answer
    assert "Shape two does 2406 operations a second" in labels["description"]


def test_charts_below_each_other_fit_and_share_no_id() -> None:
    root = ET.fromstring(svg(picture_of(document(), ""), "light"))
    charts = [element for element in root if element.tag == f"{SVG}svg"]
    ends = [float(one.get("y", "")) + float(one.get("height", "")) for one in charts]
    assert ends[0] < float(charts[1].get("y", "")) < ends[1] < float(root.get("height", ""))
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize(("scheme", "colours"), [("light", LIGHT), ("dark", DARK)])
def test_colours_are_those_of_the_scheme_and_no_names(scheme: str, colours: dict[str, str]) -> None:
    made = svg(picture_of(document(), ""), "dark" if scheme == "dark" else "light")
    assert "var(" not in made
    assert {colours["paper"], colours["ink"], colours["plot-run"]} <= {
        element.get("fill") for element in ET.fromstring(made).iter()
    }


def test_a_png_is_twice_as_many_dots_as_the_picture_has_px() -> None:
    """W3C, PNG, 11.2.2: width and height are the first two numbers of IHDR."""
    picture = picture_of(document(), "")
    content = png(picture, "light")
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    root = ET.fromstring(svg(picture, "light"))
    assert struct.unpack(">II", content[16:24]) == (2 * int(root.get("width", "")), 2 * int(root.get("height", "")))


def test_no_text_is_markup_or_hides_anything() -> None:
    made = svg(picture_of(hostile(), ""), "light")
    root = ET.fromstring(made)
    assert {element.tag.removeprefix(SVG) for element in root.iter()}.isdisjoint(
        {"script", "a", "image", "foreignObject"}
    )
    assert made.replace("\n", "").isprintable()
    assert " ".join(texts(root)).count(safe(HOSTILE[10])[:40]) == 1


def test_the_same_report_gives_the_same_bytes() -> None:
    picture = picture_of(document(), "")
    assert svg(picture, "dark") == svg(picture, "dark")
    assert png(picture, "dark") == png(picture, "dark")
