"""The chart of CPU time an operation: figures, interval and unit, from zero."""

from __future__ import annotations

from typing import Any

import pytest
from chart_pictures import HOSTILE, Picture, check_schema, rows_of, texts_of

from orchestrator.adapters.report.charts.cpu_cost import cpu_cost_chart
from orchestrator.adapters.report.document.parts import Chart
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.demand.results import Demand


def demand(shape: str = "two", cpu_s: float | None = 0.008, half: float | None = 0.0005, **facts: Any) -> Demand:
    known = (
        None
        if cpu_s is None
        else Interval(
            mean=cpu_s, low=None if half is None else cpu_s - half, high=None if half is None else cpu_s + half
        )
    )
    about: dict[str, Any] = {
        "cell": f"{shape}-bookings-t1",
        "shape": shape,
        "vcpus": 2,
        "workload": "bookings",
        "threads": 1,
        "trials": 3,
        "cpu_s": known,
        "wait_s": None,
        "idle_s": None,
        "wall_s": Interval(mean=0.02, low=None, high=None),
        "response_s": Interval(mean=0.01, low=None, high=None),
        "busy_vcpus": 0.8,
        "leanest": "one-bookings-t1",
        "cpu_ratio": None,
        "overhead_s": None,
        "overhead_shown": None,
        "laws_hold": True,
        "contended": False,
        "steal": None,
        "steal_share": None,
        "wait_share": None,
        "sentences": (),
    }
    return Demand(**(about | facts))


def drawn(*demands: Demand) -> Chart:
    chart = cpu_cost_chart("bookings", demands, 0.95)
    assert chart is not None
    return chart


def test_each_cell_has_its_cost_with_the_interval() -> None:
    chart = drawn(demand("one", 0.00833), demand("two", 0.00888))
    picture = Picture(chart)
    assert picture.said("means") == [
        "one, one thread: 8.33 ms of CPU time (95 % interval 7.83 ms to 8.83 ms), the least of all",
        "two, one thread: 8.88 ms of CPU time (95 % interval 8.38 ms to 9.38 ms)",
    ]
    assert picture.words("figures") == ["8.33", "8.88"]
    assert picture.words("sizes") == ["least, 2 vCPUs", "2 vCPUs"]
    assert [(row["cpu_s"], row["mean"]) for row in rows_of(chart, "means")] == [
        (0.00833, pytest.approx(8.33)),
        (0.00888, pytest.approx(8.88)),
    ]
    assert picture.axis()[0] == "0"


@pytest.mark.parametrize(
    ("cpu_s", "unit", "figure"),
    [(2.5, "s", "2.5"), (0.0123, "ms", "12.3"), (0.000136, "ms", "0.136"), (42e-6, "µs", "42")],
)
def test_the_unit_suits_the_largest_figure(cpu_s: float, unit: str, figure: str) -> None:
    picture = Picture(drawn(demand("one", cpu_s, None)))
    assert picture.words("key_unit") == [unit]
    assert picture.words("figures") == [figure]
    assert f"CPU time, {unit}" in picture.text


def test_a_cell_whose_cost_is_unknown_is_left_out_and_no_cost_at_all_makes_no_chart() -> None:
    assert len(Picture(drawn(demand("one"), demand("two", None))).marks("means")) == 1
    assert cpu_cost_chart("bookings", [demand("two", None)], 0.95) is None


def test_without_an_interval_it_says_so() -> None:
    picture = Picture(drawn(demand("one", 0.008, None)))
    assert not picture.marks("intervals")
    assert picture.words("widths") == ["no interval"]


@pytest.mark.parametrize("width_px", [300, 1080])
def test_it_is_as_large_as_it_says(width_px: int) -> None:
    chart = drawn(demand("one"), demand("x" * 300))
    assert Picture(chart, width_px).size == (width_px, chart.height_px)


def test_hostile_names_become_visible_text() -> None:
    chart = cpu_cost_chart(HOSTILE, [demand(HOSTILE)], 0.95)
    assert chart is not None
    assert all(text.isprintable() for text in texts_of(chart))


def test_the_table_is_in_one_unit_and_the_alternative_text_has_the_figures() -> None:
    chart = drawn(demand("one", 0.0123), demand("two", 0.00041, 0.00001))
    assert chart.table is not None
    assert {column.unit for column in chart.table.columns[3:]} == {"ms"}
    assert "one 12.3 ms of CPU time (95 % interval 11.8 ms to 12.8 ms)" in chart.alternative
    check_schema(chart)
