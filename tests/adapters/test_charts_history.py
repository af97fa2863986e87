"""The chart of a history: a mark a run at even steps, its level, and what changed, numbered as in the table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from chart_pictures import check_schema
from charts_read import drawn, mark, path, rows, texts, told

from orchestrator.adapters.report.charts.history import history_chart
from orchestrator.adapters.report.document.parts import Chart, Number
from orchestrator.core.verdict.history.results import CellHistory, Point, Step, Upgrade

KERNEL = Upgrade(
    where="host",
    fact="kernel",
    before="6.1.0-18",
    after="6.1.0-21",
    weight="likely",
    sentence="host: kernel 6.1.0-18 -> 6.1.0-21",
)


def point(place: int, per_s: float = 800.0, **changes: Any) -> Point:
    """A run a day."""
    day = f"2026{8 + place // 28:02}{1 + place % 28:02}"
    facts: dict[str, Any] = {
        "run": f"{day}T210000Z-bookings-{place:04x}",
        "short": f"{day}T210000Z",
        "started_utc": f"{day[:4]}-{day[4:6]}-{day[6:]}T21:00:00.000Z",
        "state": "done",
        "cell": "two-bookings-t2",
        "trials": 5,
        "per_s": per_s,
        "low": per_s * 0.985,
        "high": per_s * 1.015,
        "level_per_s": 800.0,
        "changed": (),
    }
    return Point(**facts | changes)


def history(points: Sequence[Point], **changes: Any) -> CellHistory:
    """A cell that is level, unless changed."""
    facts: dict[str, Any] = {
        "cell": "two-bookings-t2",
        "shape": "two",
        "vcpus": 2,
        "memory": 2**31,
        "workload": "bookings",
        "threads": 2,
        "files": {},
        "guest": "bookings-1",
        "guest_kind": "VM",
        "kind": "level",
        "answer": ("Level over eight runs.",),
        "points": tuple(points),
        "steps": (),
        "drift": None,
        "sd": 0.004,
        "margin": 0.03,
        "remarks": (),
    }
    return CellHistory(**facts | changes)


LEVEL = [point(place, 800.0 + place % 3) for place in range(8)]


def stepped() -> CellHistory:
    """Twelve runs; before the ninth the host's kernel was replaced and the cell lost 5 %."""
    points = [point(place) for place in range(8)]
    points += [
        point(place, 760.0, level_per_s=760.0, changed=(KERNEL,) if place == 8 else ()) for place in range(8, 12)
    ]
    step = Step(
        run=points[8].run,
        earliest=points[7].run,
        latest=points[9].run,
        ratio=0.95,
        low=0.94,
        high=0.96,
        p=0.001,
        matters=True,
        beside=(KERNEL,),
    )
    return history(points, kind="steps", steps=(step,), answer=("It stepped down by 5 %.",))


def layers(found: Chart) -> set[str]:
    """The names of all layers."""
    return {layer.get("name", "") for layer in found.spec["layer"]}


def test_every_run_is_a_mark_at_even_steps_that_tells_its_mean() -> None:
    found = history_chart(history(LEVEL), "second")
    marks = told(drawn(found))
    assert "run 20260802T210000Z, 2026-08-02 21:00: 801 a second, 789 to 813, five trials" in marks
    assert sum(label.startswith("run 2026") for label in marks) == 8
    assert [row["place"] for row in rows(found, "runs")] == [*range(8)]
    assert [row["per_s"] for row in rows(found, "runs")] == [p.per_s for p in LEVEL]


def test_an_axis_that_does_not_begin_at_zero_says_so() -> None:
    found = history_chart(history(LEVEL), "second")
    (note,) = [text for text in texts(drawn(found)) if "not from zero" in text]
    low = float(note.removeprefix("axis from ").removesuffix(", not from zero"))
    assert 700 < low < 788
    assert f"the axis is drawn from {low:.0f}, not from zero" in found.alternative
    assert "axis_break" in layers(found)


def test_where_there_is_room_for_it_the_axis_begins_at_zero() -> None:
    found = history_chart(history([point(0, 200.0, level_per_s=500.0), point(1, 800.0, level_per_s=500.0)]), "second")
    assert "axis from zero" in texts(drawn(found))
    assert "axis_break" not in layers(found)


def test_noise_of_a_permille_does_not_fill_the_plot() -> None:
    points = [point(place, 800 + place % 2 * 0.1, low=None, high=None) for place in range(8)]
    found = history_chart(history(points), "second")
    labels = [float(text) for text in texts(drawn(found)) if text.replace(".", "").isdigit()]
    assert max(labels) - min(labels) >= 0.015 * 800


def test_the_level_is_one_piece_from_step_to_step() -> None:
    pieces = rows(history_chart(stepped(), "second"), "level")
    assert pieces == [
        {"piece": 0, "place": -0.5, "level": 800},
        {"piece": 0, "place": 7.5, "level": 800},
        {"piece": 1, "place": 7.5, "level": 760},
        {"piece": 1, "place": 11.5, "level": 760},
    ]


def test_a_step_stands_between_two_runs_with_its_size_and_where_else_it_may_lie() -> None:
    found = history_chart(stepped(), "second")
    picture = drawn(found)
    assert "step \u22125.0 %" in texts(picture)
    said = "step of \u22125.0 % (\u22126.0 % to \u22124.0 %) before run 20260809T210000Z"
    plot_px = 720 - 60 - 16
    place = (mark(picture, said).get("transform") or "").removeprefix("translate(").split(",")[0]
    assert float(place) == pytest.approx(plot_px * 8 / 12, abs=0.1)
    (shade,) = rows(found, "step_places")
    assert (shade["from"], shade["to"]) == (6.5, 8.5)


def test_a_drift_is_a_slope() -> None:
    points = [point(place, 800.0 - place, level_per_s=800.0 - place) for place in range(8)]
    level = rows(history_chart(history(points, kind="drift"), "second"), "level")
    assert [(row["place"], row["level"]) for row in level] == [(place, 800 - place) for place in range(8)]


def test_too_few_runs_have_a_mean_and_no_level() -> None:
    written = texts(drawn(history_chart(history(LEVEL[:3], kind="too few"), "second")))
    assert "mean" in written
    assert "level" not in written


def test_changes_are_numbered_as_in_the_table() -> None:
    points = [point(place, changed=(KERNEL,) if place in {2, 5} else ()) for place in range(8)]
    found = history_chart(history(points), "second")
    assert [(row["number"], row["at"]) for row in rows(found, "changes")] == [(1, 1.5), (2, 4.5)]
    assert "change 2: host: kernel 6.1.0-18 -> 6.1.0-21" in told(drawn(found))
    assert {"1", "2", "what changed"} <= set(texts(drawn(found)))
    assert found.table is not None
    assert [row[-1] for row in found.table.rows] == [
        "", "", "1: host: kernel 6.1.0-18 -> 6.1.0-21", "", "", "2: host: kernel 6.1.0-18 -> 6.1.0-21", "", "",
    ]  # fmt: skip
    assert "Change 2: host: kernel 6.1.0-18 -> 6.1.0-21." in found.alternative


def test_numbers_that_would_lie_on_each_other_are_left_to_the_table() -> None:
    points = [point(place, changed=(KERNEL,)) for place in range(28)]
    picture = drawn(history_chart(history(points), "second"), 300)
    numbers = [element for element in picture.iter() if element.text == "28"]
    assert all(element.get("opacity") == "0" for element in numbers)


def test_a_run_that_is_not_finished_is_hollow_and_says_so() -> None:
    found = history_chart(history([*LEVEL, point(8, state="interrupted")]), "second")
    assert "not finished" in texts(drawn(found))
    assert any(label.endswith("five trials, interrupted") for label in told(drawn(found)))
    assert "not finished" not in texts(drawn(history_chart(history(LEVEL), "second")))


def test_a_run_without_an_interval_is_drawn_without_one() -> None:
    found = history_chart(history([*LEVEL, point(8, low=None, high=None)]), "second")
    assert len(rows(found, "intervals")) == 8
    assert len(rows(found, "runs")) == 9
    assert found.table is not None
    assert found.table.rows[8][3:5] == (Number("none", None),) * 2


def test_rates_follow_the_period() -> None:
    found = history_chart(history(LEVEL), "minute")
    assert rows(found, "runs")[1]["rate"] == 801 * 60
    assert "operations per minute" in texts(drawn(found))
    assert found.table is not None
    assert found.table.rows[1][2] == Number("48060", 801 * 60)


def test_runs_of_one_day_are_told_by_the_time_of_day() -> None:
    points = [point(0, run=f"r{hour}", started_utc=f"2026-08-01T{hour:02}:30:00.000Z") for hour in (8, 9, 10)]
    assert {"08:30", "09:30", "10:30"} <= set(texts(drawn(history_chart(history(points), "second"))))


def test_runs_of_one_minute_are_told_to_the_second() -> None:
    points = [point(0, run=f"r{second}", started_utc=f"2026-08-01T08:30:{second}.000Z") for second in (11, 31, 53)]
    assert {"08:30:11", "08:30:31", "08:30:53"} <= set(texts(drawn(history_chart(history(points), "second"))))


def test_runs_of_several_days_are_told_by_their_dates() -> None:
    assert "2026-08-01" in texts(drawn(history_chart(history(LEVEL), "second")))


def test_a_single_run_is_drawn() -> None:
    picture = drawn(history_chart(history([point(0)], kind="too few"), "second"))
    assert sum(label.startswith("run 2026") for label in told(picture)) == 1


def test_cells_of_the_same_name_on_other_guests_have_other_ids() -> None:
    ids = {
        history_chart(history(LEVEL, **other), "second").id
        for other in ({}, {"guest": "bookings-2"}, {"guest_kind": "process guest"}, {"files": {"load.sh": "ab"}})
    }
    assert len(ids) == 4


def test_the_alternative_text_has_answer_and_figures() -> None:
    assert history_chart(history(LEVEL), "second").alternative.startswith(
        "The mean throughput of two-bookings-t2 in eight runs, 2026-08-01 21:00 to 2026-08-08 21:00 UTC: "
        "from 800 to 802 a second; the axis is drawn from 780, not from zero. Level over eight runs."
    )


def test_hostile_text_is_shown_as_text() -> None:
    upgrade = KERNEL.model_copy(update={"sentence": "host: kernel \x1b[31m<script>\u202e"})
    points = [point(0, started_utc='"]+alert(1)+["'), point(1, short="<b>\u202e", changed=(upgrade,))]
    found = history_chart(history(points, cell="\x07<i>"), "second")
    picture = drawn(found)
    assert r"change 1: host: kernel \x1b[31m<script>\u202e" in told(picture)
    for text in (found.title, found.alternative, *texts(picture), *told(picture)):
        assert text.isprintable()


@pytest.mark.parametrize("width_px", [300, 1080])
def test_it_is_as_large_as_it_says(width_px: int) -> None:
    found = history_chart(stepped(), "second")
    picture = drawn(found, width_px)
    assert (picture.get("width"), picture.get("height")) == (str(width_px), str(found.height_px))


def test_the_places_where_a_step_may_lie_are_shaded_to_scale() -> None:
    picture = drawn(history_chart(stepped(), "second"))
    shades = [path(element) for element in picture.iter() if element.get("fill") == "#f0e9dc"]
    plot_px = 720 - 60 - 16
    assert any(shade[2] == pytest.approx(plot_px * 2 / 12, abs=0.1) for shade in shades if len(shade) == 5)


def test_its_specification_is_vega_lite() -> None:
    unfinished = [*LEVEL, point(8, state="interrupted", changed=(KERNEL,))]
    for found in (stepped(), history(unfinished)):
        check_schema(history_chart(found, "second"))
