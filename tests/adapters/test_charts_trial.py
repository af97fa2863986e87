"""The chart of a trial: what was read, where the window lies, and that nothing that stands out is lost."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Sequence
from typing import Any

import pytest
from chart_pictures import check_schema
from charts_read import drawn, mark, path, texts, told
from stored_runs import failed_record, summary, trial_record

from orchestrator.adapters.report.charts.compiled import vega
from orchestrator.adapters.report.charts.trial import trial_chart
from orchestrator.adapters.report.document.parts import Chart, Number, Table
from orchestrator.core.measure.results import Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.courses import Course, TrialCourse

Shares = Sequence[float | None]


def series(rates: Sequence[float], width_s: float = 1.0) -> Throughput:
    """Readings at even distances since launch."""
    ends = [(place + 1) * width_s for place in range(len(rates))]
    return Throughput(ends, [width_s] * len(rates), rates)


def share(what: str, shares: Shares, width_s: float = 1.0) -> Course:
    """A course at even distances since launch."""
    ends = [(place + 1) * width_s for place in range(len(shares))]
    return Course(what, ends, [width_s] * len(shares), shares)


def split(seconds: int = 90) -> tuple[Course, ...]:
    """Two thirds run, a quarter wait, the rest idle, on a host that is nearly busy; a sixth is stolen."""
    what = {"run": 2 / 3, "wait": 0.25, "idle": 1 / 12, "host busy": 0.9, "steal": 1 / 6}
    return tuple(share(name, [value] * seconds) for name, value in what.items())


def chart(
    rates: Sequence[float] = (2400.0,) * 90,
    shares: tuple[Course, ...] = (),
    *,
    record: TrialRecord | None = None,
    per: str = "second",
    since: str = "launch",
) -> Chart:
    """The chart of a trial that was steady from 12 to 80 s, unless another is given."""
    return trial_chart(record or trial_record(), TrialCourse(series(rates), shares), per, since)


def kinds(found: Chart) -> dict[str, Any]:
    """The marks by what they are."""
    return {row["kind"]: row for row in found.data["marks"]}


def test_the_warm_up_is_shaded_from_the_launch_to_the_window() -> None:
    picture = drawn(chart())
    left, _, width, *_ = path(mark(picture, "warm-up: 0 to 12 s"))
    plot_px = 720 - 56 - 16  # less the room for the axis
    assert left == 0
    assert width == pytest.approx(plot_px * 12 / 90, abs=0.1)
    assert "warm-up" in texts(picture)


def test_the_steady_window_is_named_with_its_mean() -> None:
    found = chart()
    steady = kinds(found)["steady"]
    assert (steady["from"], steady["to"], steady["v"]) == (12, 80, 2400)
    assert (steady["low"], steady["high"]) == (2376, 2424)
    assert "steady window: 2400 ± 24 per second" in texts(drawn(found))
    assert "steady window" in texts(drawn(found, 300)), "on a narrow screen the words alone"


def test_what_is_worked_out_again_when_the_width_changes_does_not_grow() -> None:
    """A formula of Vega that reads the field it writes is applied to its own result at the next width."""
    found = vega(chart(shares=split()))
    formulas = [one for data in found["data"] for one in data.get("transform", []) if one["type"] == "formula"]
    formulas = [one for one in formulas if not one["expr"].startswith("toNumber(")]  # of a number, the same number
    assert formulas
    assert not [one for one in formulas if re.search(rf"\bdatum\.{one['as']}\b|\"{one['as']}\"", one["expr"])]


def test_shares_are_told_at_the_end_of_each_interval_and_not_at_the_launch() -> None:
    labels = [label for label in told(drawn(chart(shares=split()))) if label.startswith("run ")]
    assert not [label for label in labels if label.endswith(", 0 s after launch")]
    assert labels


def test_rates_are_told_in_the_period_asked_for() -> None:
    found = chart(per="minute")
    assert found.data["rates"][0]["v"] == 144_000
    assert "operations per minute" in texts(drawn(found))
    assert kinds(found)["steady"]["v"] == 144_000


def test_every_reading_of_a_short_series_is_a_mark_that_tells_its_figure() -> None:
    picture = drawn(chart([2400.0 + place for place in range(40)]))
    readings = [label for label in told(picture) if label.endswith("s after launch")]
    assert readings[:2] == ["2400 per second, 1 s after launch", "2401 per second, 2 s after launch"]
    assert len(readings) == 40


def test_throughput_is_drawn_from_zero() -> None:
    labels = texts(drawn(chart([2390.0, 2400.0] * 45)))
    assert "0" in labels
    assert "2500" in labels


def test_a_single_low_reading_of_a_long_trial_is_drawn() -> None:
    rates = [2400.0 + place % 7 for place in range(20_000)]
    rates[12_345] = 3.0
    rows = chart(rates).data["rates"]
    assert len(rows) <= 300
    assert {"t": 12346, "v": 3.0} in rows


def test_a_gap_stays_a_gap() -> None:
    times = [*range(1, 41), *range(60, 91)]
    widths = [1.0] * len(times)
    found = trial_chart(
        trial_record(), TrialCourse(Throughput(times, widths, [2400.0] * len(times)), ()), "second", "launch"
    )
    rows = found.data["rates"]
    (place,) = [place for place, row in enumerate(rows) if row["v"] is None]
    assert (rows[place - 1]["t"], rows[place + 1]["t"]) == (40, 60)


def test_an_interval_that_was_far_too_long_is_a_gap() -> None:
    times, widths = [1.0, 2.0, 3.0, 9.0, 10.0], [1.0, 1.0, 1.0, 6.0, 1.0]
    found = trial_chart(trial_record(), TrialCourse(Throughput(times, widths, [5.0] * 5), ()), "second", "launch")
    assert [row["v"] for row in found.data["rates"]] == [5, 5, 5, None, 5, 5]


def test_a_reading_that_cannot_be_true_is_marked_apart_and_flattens_nothing() -> None:
    rates = [2400.0] * 90
    rates[60] = 2.4e7
    found = chart(rates)
    assert max(row["v"] for row in found.data["rates"] if row["v"] is not None) == 2400
    left_out = kinds(found)["left out"]
    assert left_out["v"] <= 2400 * 1.05
    assert left_out["said"].startswith("left out: 2.4e+07 per second, 61 s after launch: ")
    assert left_out["said"] in told(drawn(found))
    assert "One reading that cannot be true" in found.alternative


def test_run_wait_and_idle_stand_on_the_same_axis_with_their_key() -> None:
    found = chart(shares=split())
    assert found.data["shares"][0] == {"t": 0, "run": 66.67, "wait": 25.0}
    assert found.data["host"][-1] == {"t": 90, "v": 90.0}
    assert found.data["steal"][-1] == {"t": 90, "v": 16.67}
    picture = drawn(found)
    assert {"run", "wait", "idle", "host busy", "steal", "% of CPU time"} <= set(texts(picture))
    assert "run 66.7 %, wait 25.0 %, idle 8.3 %, 90 s after launch" in told(picture)


def test_what_is_not_known_is_not_in_the_key() -> None:
    picture = drawn(chart(shares=(share("run", [0.5] * 90),)))
    assert "run" in texts(picture)
    assert not {"wait", "idle", "host busy", "steal"} & set(texts(picture))
    assert "run 50.0 %, 90 s after launch" in told(picture)


def test_shares_that_are_not_known_for_a_while_leave_a_hole() -> None:
    run = [0.5, 0.5, None, None, 0.7, 0.7]
    rows = chart(shares=(share("run", run), share("wait", [0.1] * 6))).data["shares"]
    assert [(row["t"], row["run"]) for row in rows] == [
        (0, 50), (1, 50), (2, 50), (2, None), (4, 70), (5, 70), (6, 70),
    ]  # fmt: skip


def test_the_lowest_and_highest_shares_of_a_long_trial_are_drawn() -> None:
    generator = random.Random(5)  # noqa: S311 - noise, not secrets
    run = [generator.uniform(0.5, 0.6) for _ in range(10_000)]
    run[7_777], run[3_333] = 0.01, 0.99
    rows = chart(shares=(share("run", run), share("wait", [0.0] * len(run)))).data["shares"]
    drawn_shares = [row["run"] for row in rows]
    assert (min(drawn_shares), max(drawn_shares)) == (1.0, 99.0)


def test_all_trials_of_a_run_share_one_specification() -> None:
    one, other = chart(shares=split()), chart([7.0] * 30, split(30), record=trial_record(number=2))
    assert one.spec == other.spec
    assert (one.template, one.height_px) == (other.template, other.height_px)
    assert (one.id, other.id) == ("trial-1", "trial-2")


@pytest.mark.parametrize(
    ("shares", "since"), [((), "launch"), (split(), "its first reading"), ((), "its first reading")]
)
def test_what_is_drawn_otherwise_is_another_template(shares: tuple[Course, ...], since: str) -> None:
    plain, other = chart(shares=split()), chart(shares=shares, since=since)
    assert plain.template != other.template
    assert plain.spec != other.spec
    assert f"seconds since {since}" in texts(drawn(other))


def test_a_long_trial_stays_small_in_a_page() -> None:
    generator = random.Random(7)  # noqa: S311 - noise, not secrets
    seconds = 5_000
    run = [generator.uniform(0, 1) for _ in range(seconds)]
    courses = (
        share("run", run),
        share("wait", [(1 - part) * generator.random() for part in run]),
        *(share(what, [generator.random() for _ in run]) for what in ("host busy", "steal")),
    )
    found = chart([generator.uniform(2e3, 3e3) for _ in run], courses)
    assert len(json.dumps(found.data, separators=(",", ":"))) < 22_000


def test_a_trial_that_never_became_steady_says_so_and_shows_its_series() -> None:
    never = summary().model_copy(
        update={"steady": False, "window": None, "throughput": None, "vcpus": (), "kind": "drift"}
    )
    record = trial_record(outcome="unsteady", summary=never, reason="not steady: throughput fell all the time")
    found = chart(shares=split(), record=record)
    assert len(found.data["rates"]) == 90
    assert "no steady window: drift" in texts(drawn(found))
    assert "not steady: throughput fell all the time" in told(drawn(found))
    assert "warm-up" not in kinds(found)
    assert "No steady window: drift." in found.alternative
    assert found.table is not None
    assert {row[0] for row in found.table.rows} == {"no steady window"}


def test_a_trial_that_failed_shows_what_was_read_before() -> None:
    found = chart([2400.0] * 5, record=failed_record().model_copy(update={"failed_stage": "warm up"}))
    assert "failed in stage warm up" in texts(drawn(found))
    assert len(found.data["rates"]) == 5


def test_a_trial_without_any_series_is_drawn_empty() -> None:
    found = chart([], record=failed_record())
    assert found.data["rates"] == []
    assert "No throughput was read. Failed in stage start." in found.alternative
    assert "failed in stage start" in texts(drawn(found))


def test_a_window_from_the_launch_on_has_no_warm_up() -> None:
    whole = summary().model_copy(update={"window": Window(start_s=0.0, end_s=90.0)})
    found = chart(record=trial_record(summary=whole))
    assert "warm-up" not in kinds(found)
    assert "Warm-up" not in found.alternative


def test_the_alternative_text_has_the_figures_of_the_record() -> None:
    assert chart(shares=split()).alternative == (
        "Throughput in 90 readings over 1 min 30 s since launch, from 2400 to 2400 per second. Warm-up for 12 s. "
        "Steady window from 12 to 80 s after launch: 2400 ± 24 per second. In it the vCPUs ran 98.0 % of their time, "
        "waited 0.3 %, were idle 1.7 % and the host was busy 50.0 %."
    )


def table(found: Chart) -> Table:
    """The table of a chart."""
    assert found.table is not None
    return found.table


def test_the_table_tells_the_trial_part_by_part() -> None:
    rates = [1200.0] * 12 + [2400.0] * 78
    rates[40] = 600.0
    found = table(chart(rates, split()))
    assert [column.name for column in found.columns] == [
        "part of", "from", "to", "lowest", "mean", "highest", "run", "wait", "idle", "host busy", "steal",
    ]  # fmt: skip
    assert [row[0] for row in found.rows] == ["warm-up"] * 2 + ["steady window"] * 6 + ["after the window"]
    ends = [(row[1], row[2]) for row in found.rows]
    assert ends[0][0] == Number("0.0", 0.0)
    assert [end for _, end in ends[:-1]] == [start for start, _ in ends[1:]]
    assert ends[-1][1] == Number("90.0", 90.0)
    assert [row[5] for row in found.rows[:2]] == [Number("1200", 1200.0)] * 2
    lowest = [cell.value for row in found.rows if isinstance(cell := row[3], Number)]
    assert min(value for value in lowest if value is not None) == 600
    run = found.rows[3][6]
    assert isinstance(run, Number)
    assert run.text == "66.7"
    assert run.value == pytest.approx(200 / 3)


def test_a_part_without_a_reading_has_no_figures() -> None:
    found = table(chart([2400.0] * 12))
    assert found.rows[5][3:] == (Number("?", None),) * 3


def test_hostile_names_are_shown_as_text() -> None:
    never = summary().model_copy(update={"window": None, "throughput": None, "kind": "\x1b[31m<script>\u202e"})
    record = trial_record(outcome="unsteady", summary=never, shape="<b>\u202e", reason="\x07 <script>alert(1)</script>")
    found = chart(record=record)
    assert r"no steady window: \x1b[31m<script>\u202e" in texts(drawn(found))
    for text in (found.title, found.alternative, *texts(drawn(found)), *told(drawn(found))):
        assert text.isprintable()


@pytest.mark.parametrize("width_px", [300, 720, 1080])
def test_it_is_as_large_as_it_says(width_px: int) -> None:
    found = chart(shares=split())
    picture = drawn(found, width_px)
    assert (picture.get("width"), picture.get("height")) == (str(width_px), str(found.height_px))


def test_its_specification_is_vega_lite() -> None:
    check_schema(chart(shares=split()))
