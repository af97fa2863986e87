"""The chart of throughput: every trial is there, from zero, at the height it says, whatever its names."""

from __future__ import annotations

import pytest
from chart_pictures import HOSTILE, Picture, cell, check_schema, rows_of, texts_of, trial

from orchestrator.adapters.report.charts.throughput import throughput_chart
from orchestrator.adapters.report.document.parts import Chart
from orchestrator.core.verdict.cells import CellEstimate

ONE, TWO = cell("one", vcpus=1, per_s=96.0), cell("two", per_s=79.0)
TRIALS = [
    trial(of, 3 * row + place, per_s=of.throughput_per_s * (1 + place / 100))
    for row, of in enumerate((ONE, TWO))
    for place in (1, 2, 3)
]


def drawn(cells: list[CellEstimate], *trials: object, per: str = "minute", recommended: tuple[str, ...] = ()) -> Chart:
    return throughput_chart("bookings", cells, trials, per, recommended, 0.95)  # type: ignore[arg-type]


def test_every_trial_is_a_mark_with_its_figures() -> None:
    chart = drawn([ONE, TWO], *TRIALS)
    assert [(row["trial"], row["per_s"]) for row in rows_of(chart, "trials")] == [(t.trial, t.per_s) for t in TRIALS]
    said = Picture(chart).said("trials")
    assert len(said) == len(TRIALS)
    assert said[0] == "trial 1, block 1: 5818 per minute (5645 to 5875); one, one thread"


def test_every_cell_has_its_mean_and_its_interval_in_words() -> None:
    chart = drawn([ONE, TWO], *TRIALS, recommended=(ONE.id,))
    picture = Picture(chart)
    assert picture.said("means") == [
        "one, one thread: mean 5760 per minute (95 % interval 5184 to 6336), three trials, recommended",
        "two, one thread: mean 4740 per minute (95 % interval 4266 to 5214), three trials",
    ]
    assert len(picture.marks("intervals")) == 2
    assert picture.words("figures") == ["5760", "4740"]
    assert picture.words("widths") == ["± 10.0 %", "± 10.0 %"]


def test_rates_lie_on_an_axis_from_zero() -> None:
    chart = drawn([ONE, TWO], *TRIALS)
    picture = Picture(chart)
    assert picture.axis()[0] == "0"
    guides = [
        (mark.attrib, place) for mark, place in zip(picture.marks("guides"), picture.places("means"), strict=True)
    ]
    zero = {
        float(attrib["transform"].split("(")[1].split(",")[0]) + min(float(attrib["x2"]), 0.0) for attrib, _ in guides
    }
    (origin,) = zero  # every guide begins at one place, and a mean lies as far from it as its figure says
    (one, _), (two, _) = picture.places("means")
    assert (one - origin) / (two - origin) == pytest.approx(96 / 79, rel=1e-3)


def test_a_trial_that_never_became_steady_is_not_shown_as_counted() -> None:
    unsteady = trial(ONE, 4, steady=False)
    picture = Picture(chart := drawn([ONE], trial(ONE, 1), unsteady))
    assert len(picture.marks("trials")) == 1
    assert picture.said("uncounted") == [
        "trial 4, block 1: 5760 per minute (5645 to 5875), never steady, does not count; one, one thread"
    ]
    assert "not counted" in picture.text
    assert chart.table is not None
    assert [row[-1] for row in chart.table.rows] == ["", "", "not counted"]


def test_a_trial_without_a_rate_and_one_of_another_workload_are_left_out() -> None:
    chart = drawn([ONE], trial(ONE, 1, per_s=None), trial(TWO, 2))
    assert not Picture(chart).marks("trials")


def test_a_recommended_cell_is_marked_by_a_sign_and_the_word() -> None:
    picture = Picture(drawn([ONE, TWO], *TRIALS, recommended=(TWO.id,)))
    assert len(picture.marks("signs")) == 1
    assert picture.words("chosen") == ["recommended, 2 vCPUs"]
    assert Picture(drawn([ONE, TWO], recommended=(TWO.id,)), 300).words("chosen") == ["recommended"]


def test_a_single_trial_has_no_interval_and_says_so() -> None:
    chart = drawn([cell("one", trials=1, low=None, high=None)], trial(ONE, 1, low=None, high=None, block=None))
    picture = Picture(chart)
    assert not picture.marks("intervals")
    assert picture.words("widths") == ["no interval"]
    assert picture.said("means") == ["one, one thread: mean 6000 per minute (no interval), one trial"]
    assert chart.table is not None
    assert [field.text for field in chart.table.rows[0][5:7] if not isinstance(field, str)] == ["none", "none"]


def test_an_interval_that_would_squeeze_all_else_ends_in_an_arrow_and_keeps_its_figures() -> None:
    wide = cell("two", low=10.0, high=100_000.0)
    chart = drawn([ONE, wide], *TRIALS[:3])
    assert len(Picture(chart).marks("beyond")) == 1
    assert rows_of(chart, "means")[1]["high_per_s"] == 100_000.0
    assert Picture(chart).words("widths")[1] == "± over 100 %"
    assert Picture(chart).places("means")[0][0] > Picture(chart).size[0] / 3  # the others can still be told apart


@pytest.mark.parametrize(("per", "figure", "unit"), [("second", "96", "per second"), ("hour", "345600", "per hour")])
def test_rates_are_shown_in_the_period_asked_for(per: str, figure: str, unit: str) -> None:
    chart = drawn([ONE], per=per)
    picture = Picture(chart)
    assert picture.words("figures") == [figure]
    assert picture.words("key_unit") == [unit]
    assert chart.title.endswith(f"operations {unit}")
    assert rows_of(chart, "means")[0]["per_s"] == 96.0


@pytest.mark.parametrize("width_px", [300, 390, 720, 1080])
def test_it_is_as_large_as_it_says_and_everything_lies_inside(width_px: int) -> None:
    chart = drawn([ONE, TWO, cell("x" * 300, 2, vcpus=8)], *TRIALS)
    picture = Picture(chart, width_px)
    assert picture.size == (width_px, chart.height_px)
    for layer in ("trials", "means", "names"):
        for x, y in picture.places(layer):
            assert 0 <= x <= width_px
            assert 0 <= y <= chart.height_px


def test_one_cell_makes_a_chart() -> None:
    chart = drawn([ONE])
    assert Picture(chart).words("groups") == ["1 thread"]
    check_schema(chart)


def test_rows_are_grouped_by_threads() -> None:
    picture = Picture(drawn([cell("one", t) for t in (4, 1, 2)] + [cell("two", 1)]))
    assert picture.words("groups") == ["1 thread", "2 threads", "4 threads"]
    assert picture.words("names") == ["one", "two", "one", "one"]


def test_many_cells_keep_every_trial_and_stay_small() -> None:
    cells = [
        cell(f"shape-{vcpus:02}", threads, 50.0 * vcpus, vcpus=vcpus)
        for threads in range(1, 13)
        for vcpus in range(1, 25)
    ]
    trials = [trial(one, number) for number, one in enumerate(cells)]
    chart = throughput_chart("bookings", cells, trials, "second", [one.id for one in cells[::24]], 0.95)
    picture = Picture(chart, 520)
    assert len(picture.marks("trials")) == len(picture.marks("means")) == 288
    assert picture.size == (520, chart.height_px)
    assert len(picture.marks("signs")) == 12
    assert len(chart.alternative) < 6000
    assert "24 shapes between 50 on shape-01 and 1200 on shape-24" in chart.alternative


def test_hostile_names_become_visible_text() -> None:
    chart = throughput_chart(HOSTILE, [cell(HOSTILE), cell("y" * 5000)], [trial(cell(HOSTILE), 1)], "second", (), 0.95)
    for text in texts_of(chart):
        assert text.isprintable()
    picture = Picture(chart, 300)
    assert "<script" not in picture.text
    assert picture.words("names")[0].startswith("<script>")  # as text
    assert len(max(texts_of(chart), key=len)) < 2000
    assert chart.id.startswith("throughput-script-alert-1-script-31m")


def test_names_that_differ_in_signs_alone_give_different_ids() -> None:
    ids = {throughput_chart(name, [ONE], (), "second", (), 0.95).id for name in ("a b", "a-b", "a_b", "A-B", "é", "è")}
    assert len(ids) == 6


def test_the_alternative_text_holds_the_figures_of_every_shape() -> None:
    told = drawn([ONE, TWO], *TRIALS, recommended=(ONE.id,)).alternative
    assert "in operations per minute, from zero" in told
    assert "One thread: one 5760 per minute (95 % interval 5184 to 6336), three trials, recommended; two 4740" in told


def test_the_table_holds_means_and_trials() -> None:
    table = drawn([ONE, TWO], *TRIALS, recommended=(ONE.id,)).table
    assert table is not None
    assert len(table.rows) == 2 + len(TRIALS)
    assert table.marked == {0}
    assert [row[2] for row in table.rows[:2]] == ["mean of three trials", "trial 1"]
    assert all(len(row) == len(table.columns) for row in table.rows)


def test_its_specification_is_vega_lite() -> None:
    check_schema(drawn([ONE, TWO], *TRIALS, trial(ONE, 9, steady=False), recommended=(ONE.id,)))
