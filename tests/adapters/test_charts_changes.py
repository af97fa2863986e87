"""Charts of a comparison: every cell's change beside the margin, in words as well, and both throughputs from zero."""

from __future__ import annotations

from functools import cache
from xml.etree import ElementTree as ET

import pytest
from chart_pictures import check_schema
from charts_read import drawn, mark, path, rows, texts, told
from comparison_values import EQUAL, FASTER, OPEN, SINGLE, SLOWER, change, compared

from orchestrator.adapters.report.charts.changes import before_after_chart, changes_chart
from orchestrator.adapters.report.document.parts import Chart, Number

ALL = compared(SLOWER, EQUAL, OPEN, FASTER, SINGLE)


@cache
def of_all() -> Chart:
    """The changes of five cells, one of each word and one without an interval."""
    return changes_chart(ALL)


@cache
def pictured() -> ET.Element:
    """Its picture."""
    return drawn(of_all())


def test_every_cell_is_a_mark_that_says_how_it_changed() -> None:
    marks = told(pictured())
    slower = "two-bookings-t2: slower, 4.7 % less (\u22126.1 % to \u22123.3 %): 774.1 a second, 812.3 in the base"
    single = (
        "two-bookings-t1: undecided, 4 % less on the figures, without an interval: 774.1 a second, 812.3 in the base"
    )
    assert slower in marks
    assert single in marks
    assert sum("in the base" in label for label in marks) == 5


def test_the_word_stands_at_each_row() -> None:
    written = texts(pictured())
    for word, times in (("slower", 1), ("faster", 1), ("equivalent", 1), ("undecided", 2)):
        assert written.count(word) == times
    assert "\u22124.7 %" in written
    assert "+8.0 %" in written


def test_words_are_told_apart_by_shape_as_well() -> None:
    layers = {layer.get("name"): layer for layer in of_all().spec["layer"]}
    shapes = {layers[word]["mark"]["shape"] for word in ("slower", "faster", "equivalent", "undecided")}
    assert len(shapes) == 4


def test_figures_are_unrounded_in_the_rows() -> None:
    (row,) = rows(of_all(), "slower")
    assert (row["cell"], row["ratio"], row["low_ratio"], row["high_ratio"]) == (
        SLOWER.cell, SLOWER.ratio, SLOWER.low, SLOWER.high,
    )  # fmt: skip
    assert row["change"] == pytest.approx((SLOWER.ratio - 1) * 100)
    assert (row["low"], row["high"]) == (pytest.approx(-6.1), pytest.approx(-3.3))


def test_the_margin_is_a_band_about_no_change() -> None:
    (band,) = rows(of_all(), "margin")
    assert (band["low"], band["high"]) == (pytest.approx(100 / 1.03 - 100), pytest.approx(3))
    assert "within the margin of 3 %" in texts(pictured())


def test_a_cell_on_one_side_of_the_band_lies_there_in_the_picture() -> None:
    picture = drawn(changes_chart(compared(SLOWER, FASTER)))
    labels = {label.split(":")[0]: label for label in told(picture) if "in the base" in label}
    places = [
        float((mark(picture, labels[cell]).get("transform") or "").removeprefix("translate(").split(",")[0])
        for cell in ("two-bookings-t2", "four-bookings-t2")
    ]
    assert places[0] < places[1]


def test_an_interval_without_end_squeezes_nothing_and_has_arrows() -> None:
    wide = change("eight", 4, low=0.2, high=9.0, ratio=0.97, verdict="undecided")
    found = changes_chart(compared(wide, EQUAL))
    (row,) = rows(found, "undecided")
    assert row["below"]
    assert row["above"]
    assert -15 < row["low"] < 0 < row["high"] < 15
    assert rows(found, "undecided_below")
    assert rows(found, "undecided_above")


def test_a_change_beyond_measure_is_still_drawn() -> None:
    found = changes_chart(compared(change(ratio=40.0, low=30.0, high=50.0, verdict="faster")))
    (row,) = rows(found, "faster")
    assert row["change"] == 3900
    assert "+3900 %" in texts(drawn(found))


def test_cells_stand_in_the_order_of_the_table_by_threads() -> None:
    found, written = of_all(), texts(pictured())
    assert [text for text in written if text.endswith(("thread", "threads"))] == ["1 thread", "2 threads", "4 threads"]
    assert found.table is not None
    assert [row[0] for row in found.table.rows] == [
        "one-bookings-t1", "two-bookings-t1", "two-bookings-t2", "four-bookings-t2", "four-bookings-t4",
    ]  # fmt: skip


def test_several_loads_are_told_apart() -> None:
    other = change(workload="timetable", cell="two-timetable-t2", base_cell="two-timetable-t2")
    written = texts(drawn(changes_chart(compared(SLOWER, other))))
    assert {"two, bookings", "two, timetable"} <= set(written)


def test_the_table_of_changes_has_the_figures_of_the_comparison() -> None:
    table = of_all().table
    assert table is not None
    of = {row[0]: row for row in table.rows}
    assert of["two-bookings-t2"][1] == "slower"
    assert of["two-bookings-t2"][2] == Number("-4.7", (SLOWER.ratio - 1) * 100)
    assert of["two-bookings-t1"][3:] == (Number("none", None),) * 2
    assert "95 % confidence, of all cells together" in table.note


def test_the_alternative_text_tells_every_cell() -> None:
    told_of = of_all().alternative
    assert "five cells" in told_of
    assert all(cell.cell in told_of for cell in ALL.changes)
    assert "the margin of 3 %" in told_of


def test_both_throughputs_are_drawn_from_zero() -> None:
    found = before_after_chart(compared(SLOWER), "second")
    picture = drawn(found)
    marks = told(picture)
    assert "two-bookings-t2 in the base: 812.3 per second, interval 806 to 818.6" in marks
    assert "two-bookings-t2 in the new run: 774.1 per second, interval 768 to 780.2" in marks
    assert "X-axis titled 'operations per second' for a linear scale with values from 0 to" in " ".join(marks)
    assert {"base, 95 % interval", "new, 95 % interval", "812.3", "774.1"} <= set(texts(picture))


def test_both_throughputs_follow_the_period() -> None:
    found = before_after_chart(compared(SLOWER), "minute")
    (base,), (new,) = rows(found, "base"), rows(found, "new")
    assert (base["rate"], base["per_s"]) == (pytest.approx(812.3 * 60), 812.3)
    assert (new["rate"], new["per_s"]) == (pytest.approx(774.1 * 60), 774.1)
    assert base["y"] < new["y"]
    assert found.table is not None
    assert found.table.rows[0][1] == Number("48738", 812.3 * 60)


def test_a_side_without_an_interval_says_so() -> None:
    single = change(base_low=None, base_high=None, low=None, high=None, verdict="undecided", base_trials=1)
    marks = told(drawn(before_after_chart(compared(single), "second")))
    assert "two-bookings-t2 in the base: 812.3 per second, no interval" in marks


def test_the_two_charts_have_the_same_rows() -> None:
    one, other = of_all(), before_after_chart(ALL, "second")
    assert one.height_px == other.height_px
    assert rows(one, "names") == rows(other, "names")


@pytest.mark.parametrize("width_px", [300, 1080])
def test_they_are_as_large_as_they_say(width_px: int) -> None:
    for found in (of_all(), before_after_chart(ALL, "second")):
        picture = drawn(found, width_px)
        assert (picture.get("width"), picture.get("height")) == (str(width_px), str(found.height_px))


def test_a_comparison_of_many_cells_is_drawn() -> None:
    cells = [change(f"s{number}", 1 + number % 4, cell=f"s{number}-bookings") for number in range(60)]
    for found in (changes_chart(compared(*cells)), before_after_chart(compared(*cells), "hour")):
        assert sum("in the base" in label for label in told(drawn(found))) == 60


def test_hostile_names_are_shown_as_text() -> None:
    hostile = change(shape="<script>\u202e", cell="\x1b[31m<b>-bookings-t2", workload="\x07")
    for found in (changes_chart(compared(hostile)), before_after_chart(compared(hostile), "second")):
        picture = drawn(found)
        assert r"<script>\u202e" in texts(picture)
        for text in (found.title, found.alternative, *texts(picture), *told(picture)):
            assert text.isprintable()


def test_nothing_reaches_into_the_names() -> None:
    """The band begins right of the column of names, also on the narrowest screen."""
    picture = drawn(of_all(), 300)
    bands = [path(element) for element in picture.iter() if element.get("fill") == "#f0e9dc"]
    assert all(band[0] >= 100 for band in bands if len(band) == 5 and band[2] > 20)


def test_their_specifications_are_vega_lite() -> None:
    wide = change("eight", 4, low=0.2, high=9.0, ratio=0.97, verdict="undecided")
    for found in (of_all(), changes_chart(compared(wide, EQUAL)), before_after_chart(ALL, "second")):
        check_schema(found)
