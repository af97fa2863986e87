"""The chart of where the vCPUs' time went: every vCPU's shares, unavailable ones in words, rows as beside it."""

from __future__ import annotations

from itertools import pairwise

import pytest
from chart_pictures import BUSY, HOSTILE, Picture, cell, check_schema, rows_of, texts_of

from orchestrator.adapters.report.charts.throughput import throughput_chart
from orchestrator.adapters.report.charts.time_use import time_use_chart
from orchestrator.adapters.report.document.parts import Chart
from orchestrator.core.verdict.cells import UNKNOWN, CellEstimate, Shares


def drawn(*cells: CellEstimate) -> Chart:
    chart = time_use_chart("bookings", cells)
    assert chart is not None
    return chart


def test_each_vcpu_is_a_bar_of_run_wait_and_idle() -> None:
    busy, free = Shares(run=0.75, wait=0.25, idle=0.0), Shares(run=0.0, wait=0.0, idle=1.0)
    chart = drawn(cell("two", shares=Shares(run=0.375, wait=0.125, idle=0.5), per_vcpu=(busy, free)))
    assert [(row["vcpu"], row["share"], row["from"], row["to"]) for row in rows_of(chart, "run")] == [(0, 0.75, 0, 75)]
    assert [(row["vcpu"], row["share"], row["from"], row["to"]) for row in rows_of(chart, "wait")] == [
        (0, 0.25, 75, 100)
    ]
    assert [(row["vcpu"], row["share"], row["from"], row["to"]) for row in rows_of(chart, "idle")] == [(1, 1.0, 0, 100)]
    picture = Picture(chart)
    assert picture.said("run") == ["two, one thread, vCPU 0: run 75 %"]
    assert picture.said("idle") == ["two, one thread, vCPU 1: idle 100 %"]


def test_the_pieces_of_a_bar_fill_it_from_0_to_100() -> None:
    chart = drawn(cell("eight", vcpus=8))
    pieces = {kind: rows_of(chart, kind) for kind in ("run", "wait", "idle")}
    assert [len(found) for found in pieces.values()] == [8, 8, 8]
    for run, wait, idle in zip(*pieces.values(), strict=True):
        assert [run["from"], run["to"], wait["to"], idle["to"]] == pytest.approx([0, 60, 70, 100])
        assert run["to"] == wait["from"]
        assert wait["to"] == idle["from"]
    picture = Picture(chart)
    assert [len(picture.marks(kind)) for kind in pieces] == [8, 8, 8]
    assert picture.axis() == ["0", "50", "100"]


def test_means_over_the_vcpus_stand_beside_the_bars_as_figures() -> None:
    picture = Picture(drawn(cell("two"), cell("one", vcpus=1, shares=Shares(run=0.994, wait=0.006, idle=0.0))))
    assert [picture.words(f"mean_{kind}") for kind in ("run", "wait", "idle")] == [
        ["60", "99"],
        ["10", "1"],
        ["30", "0"],
    ]
    assert [picture.words(f"key_{kind}") for kind in ("run", "wait", "idle")] == [["run"], ["wait"], ["idle"]]


def test_what_is_unavailable_is_a_question_mark_and_never_zero() -> None:
    chart = drawn(cell("two", shares=Shares(run=0.5, wait=None, idle=None)))
    picture = Picture(chart)
    assert [len(picture.marks(kind)) for kind in ("run", "wait", "idle")] == [2, 0, 0]
    assert [picture.words(f"mean_{kind}") for kind in ("run", "wait", "idle")] == [["50"], ["?"], ["?"]]
    assert "two run 50 %, wait unavailable, idle unavailable" in chart.alternative
    assert chart.table is not None
    run, wait, idle = (field for field in chart.table.rows[0][3:] if not isinstance(field, str))
    assert run.value == 50.0
    assert [(field.text, field.value) for field in (wait, idle)] == [("?", None), ("?", None)]


def test_a_cell_that_was_not_observed_says_so() -> None:
    chart = drawn(cell("one"), cell("two", shares=UNKNOWN, per_vcpu=()))
    picture = Picture(chart)
    assert picture.words("absent") == ["not observed"]
    assert picture.words("mean_run") == ["60"]
    assert "two not observed" in chart.alternative


def test_there_is_no_chart_where_nothing_was_observed() -> None:
    assert time_use_chart("bookings", [cell("one", shares=UNKNOWN, per_vcpu=())]) is None


def test_a_mean_that_is_all_that_is_known_is_called_one() -> None:
    picture = Picture(drawn(cell("four", vcpus=4, per_vcpu=())))
    assert picture.said("run") == ["four, one thread, mean of 4 vCPUs: run 60 %"]
    assert picture.words("sizes") == ["mean of 4 vCPUs"]


def test_rows_lie_as_those_of_the_throughput_beside_it() -> None:
    cells = [cell("one", vcpus=1), cell("sixteen", vcpus=16), cell("one", 2, vcpus=1)]
    time, throughput = drawn(*cells), throughput_chart("bookings", cells, (), "second", (), 0.95)
    assert time.height_px == throughput.height_px
    assert Picture(time).places("names") == Picture(throughput).places("names")


@pytest.mark.parametrize("width_px", [300, 720, 1080])
def test_it_is_as_large_as_it_says(width_px: int) -> None:
    chart = drawn(cell("one"), cell("x" * 300, vcpus=64))
    picture = Picture(chart, width_px)
    assert picture.size == (width_px, chart.height_px)
    assert len(picture.marks("run")) == 2 + 64


def test_bars_stay_inside_their_rows() -> None:
    for cells in ([cell(f"big{v}", vcpus=v) for v in (1, 2, 64, 128)], [cell(f"s{v}", vcpus=v) for v in range(1, 31)]):
        chart = drawn(*cells)
        bars = rows_of(chart, "run")
        ends = [
            (min(b["y"] for b in bars if b["cell"] == c.id), max(b["y2"] for b in bars if b["cell"] == c.id))
            for c in cells
        ]
        assert all(below[0] > above[1] for above, below in pairwise(ends))


def test_of_very_many_vcpus_means_are_drawn_and_the_table_holds_each() -> None:
    cells = [cell(f"shape-{vcpus:02}", threads, vcpus=vcpus) for threads in range(1, 13) for vcpus in range(1, 25)]
    chart = drawn(*cells)
    assert len(rows_of(chart, "run")) == 288
    assert chart.table is not None
    assert len(chart.table.rows) == sum(one.vcpus + (one.vcpus > 1) for one in cells)


def test_hostile_names_become_visible_text() -> None:
    chart = time_use_chart(HOSTILE, [cell(HOSTILE, shares=BUSY)])
    assert chart is not None
    assert all(text.isprintable() for text in texts_of(chart))
    assert "<script" not in Picture(chart).text


def test_its_specification_is_vega_lite() -> None:
    check_schema(drawn(cell("one"), cell("two", shares=UNKNOWN, per_vcpu=())))
