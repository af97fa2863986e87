"""The chart of scaling: what was measured, the law through it, and growth in proportion."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from chart_pictures import HOSTILE, Picture, check_schema, rows_of, texts_of

from orchestrator.adapters.report.charts.scaling import scaling_chart
from orchestrator.core.verdict.cells import Observation, cells_of
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.scaling import Scaling, scalings

SIZES = (1, 2, 4, 8, 16)


def queueing(n: float) -> float:
    """Gunther 2007, Guerrilla Capacity Planning, eq. 4.31: N / (1 + sigma (N - 1) + kappa N (N - 1))."""
    return n / (1 + 0.03 * (n - 1) + 0.006 * n * (n - 1))


def serial(n: float) -> float:
    """Amdahl 1967: N / (1 + sigma (N - 1))."""
    return n / (1 + 0.1 * (n - 1))


def grown(
    law: Callable[[float], float], sizes: tuple[int, ...] = SIZES, blocks: int = 3, shape: str = "sixteen"
) -> Scaling:
    """The scaling of a shape over threads, by a law that is known, with trials that scatter by half a percent."""
    seen = [
        Observation(shape, 16, None, "bookings", n, block, 80 * law(n) * math.exp(0.005 * ((block + n) % 3 - 1)))
        for n in sizes
        for block in range(1, blocks + 1)
    ]
    (found,) = scalings(cells_of(seen), Rule())
    return found


def test_every_size_is_a_point_with_its_interval_on_axes_from_zero() -> None:
    scaling = grown(queueing)
    chart = scaling_chart(scaling, "second")
    picture = Picture(chart)
    assert [(row["cell"], row["per_s"]) for row in rows_of(chart, "points")] == [
        (point.cell, point.throughput_per_s) for point in scaling.points
    ]
    assert len(picture.marks("points")) == len(picture.marks("intervals")) == len(SIZES)
    assert picture.said("points")[0].startswith("1 thread: 80")
    assert picture.axis().count("0") == 2
    places = picture.places("points")
    assert (places[4][0] - places[2][0]) / (places[2][0] - places[1][0]) == pytest.approx(
        6, rel=1e-3
    )  # 16 - 4 to 4 - 2


@pytest.mark.parametrize(("law", "named"), [(queueing, "universal scalability law"), (serial, "Amdahl's law")])
def test_the_curve_is_the_law_that_was_fitted(law: Callable[[float], float], named: str) -> None:
    chart = scaling_chart(grown(law), "minute")
    curve = rows_of(chart, "law")
    assert (curve[0]["size"], curve[-1]["size"]) == (1, 16)  # no further than what was measured
    for at in curve:
        assert at["rate"] == pytest.approx(60 * 80 * law(at["size"]), rel=0.02)
    assert Picture(chart).words("law_words") == [named]


def test_growth_in_proportion_begins_at_the_origin_and_has_its_name() -> None:
    chart = scaling_chart(grown(serial), "second")
    origin, end = rows_of(chart, "proportional")
    assert origin == {"size": 0, "rate": 0}
    assert end["rate"] / end["size"] == pytest.approx(80, rel=0.01)
    assert Picture(chart).words("proportional_words") == ["in proportion"]


def test_where_growth_is_proportional_the_line_is_the_law() -> None:
    scaling = grown(lambda n: n)
    assert scaling.law == "proportional"
    picture = Picture(scaling_chart(scaling, "second"))
    assert not picture.marks("law")
    assert len(picture.marks("proportional")) == 1


def test_too_few_sizes_are_shown_without_a_law_and_the_words_say_why() -> None:
    chart = scaling_chart(grown(serial, (1, 2, 4)), "second")
    assert not Picture(chart).marks("law")
    assert "at least four sizes" in chart.alternative
    assert chart.table is not None
    assert [column.name for column in chart.table.columns if "law" in column.name] == []
    assert {len(row) for row in chart.table.rows} == {len(chart.table.columns)}


def test_a_single_reading_has_no_interval() -> None:
    chart = scaling_chart(grown(serial, blocks=1), "second")
    assert not Picture(chart).marks("intervals")
    assert "no interval" in chart.alternative


@pytest.mark.parametrize("width_px", [300, 720, 1080])
@pytest.mark.parametrize("per", ["second", "hour"])
def test_it_is_as_large_as_it_says(width_px: int, per: str) -> None:
    chart = scaling_chart(grown(queueing), per)
    picture = Picture(chart, width_px)
    assert picture.size == (width_px, chart.height_px)


def test_what_grows_is_in_title_and_id() -> None:
    chart = scaling_chart(grown(queueing), "hour")
    assert chart.id == "scaling-bookings-threads-sixteen"
    assert chart.title == "Throughput of bookings over threads on shape sixteen, operations per hour"
    over = [
        Observation(f"s{n}", n, None, "bookings", t, b, 80.0 * n + b)
        for n in (1, 2, 4)
        for t in (n, 4)
        for b in (1, 2)
        if t != n or n < 4 or t == 4
    ]
    unique = {(o.shape, o.threads, o.block): o for o in over}
    charts = [scaling_chart(found, "second") for found in scalings(cells_of(unique.values()), Rule())]
    assert {"scaling-bookings-vcpus-t4", "scaling-bookings-both"} <= {found.id for found in charts}
    assert len({found.id for found in charts}) == len(charts)


def test_the_alternative_text_begins_with_what_it_means() -> None:
    scaling = grown(queueing)
    told = scaling_chart(scaling, "second").alternative
    assert told.startswith(scaling.sentence)
    assert "both axes from zero" in told


def test_hostile_names_become_visible_text() -> None:
    chart = scaling_chart(grown(queueing, shape=HOSTILE), "second")
    assert all(text.isprintable() for text in texts_of(chart))
    assert "<script" not in Picture(chart).text


def test_its_specification_is_vega_lite() -> None:
    check_schema(scaling_chart(grown(queueing), "second"))
