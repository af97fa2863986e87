"""Runs and trials as a person sees them: in 80 columns, without colour, and whatever a guest put into its words."""

from __future__ import annotations

import io
import json
import math
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console, RenderableType
from stored_runs import (
    FIRST,
    SECOND,
    failed_record,
    interrupted_run,
    run_record,
    summary,
    trial_data,
    trial_record,
    whole_run,
)

from orchestrator.adapters.report import json_out
from orchestrator.adapters.report.figures import rate_text
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.plot import Plot
from orchestrator.adapters.report.run_text import render_run
from orchestrator.adapters.report.runs_text import bullet, render_runs
from orchestrator.adapters.report.sections import bullets
from orchestrator.adapters.report.trial_text import render_trial
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.results import Interval, Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.record.run_line import run_line
from orchestrator.engine.listing import short_names
from orchestrator.engine.ports import TrialData
from orchestrator.engine.showing import pick_trial, rates, reader_of
from orchestrator.errors import StoreError

EVIL = "\x1b[31m\x1b]0;title\x07 \x9b2J \u202egpj.exe \u200b\r\n\t[red]markup[/red] :smile: [link=x]\ud800"


def shown(renderable: RenderableType, *, width: int = 80, encoding: str = "utf-8", **options: Any) -> str:
    raw = io.BytesIO()
    console = Console(file=io.TextIOWrapper(raw, encoding=encoding, errors="strict"), width=width, **options)
    console.print(renderable)
    console.file.flush()
    return raw.getvalue().decode(encoding)


def run_of(*trials: Any, state: str = "done", **changes: Any) -> StoredRun:
    return StoredRun(run_record(**{"id": "20260801T101112Z-ferry-aaaa"} | changes), trials, state, "results/x")


# ------------------------------------------------------------------------------------------------------- safe text


@given(st.text(max_size=300))
def test_safe_text_is_one_line_that_can_steer_nothing(text: str) -> None:
    """General categories of the Unicode Standard, section 4.5: controls, formats, surrogates, separators of lines."""
    categories = {unicodedata.category(c) for c in safe(text, 300)}
    assert not categories & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert all(c == " " for c in safe(text, 300) if unicodedata.category(c) == "Zs")


@pytest.mark.parametrize(
    ("text", "visible"),
    [
        ("Saltmarsh Ferries: Überfahrt 船", "Saltmarsh Ferries: Überfahrt 船"),
        ("\x1b[2J", "\\x1b[2J"),
        ("a\nb\tc", "a\\nb\\tc"),
        ("\u202e\u2066\u200b", "\\u202e\\u2066\\u200b"),
        ("\x9b31m", "\\x9b31m"),
        ("\U000e0001", "\\U000e0001"),
        ("x" * 500, "x" * 400 + "... (100 more characters)"),
        ("x" * 410, "x" * 410),  # the note would be longer than what it cuts
    ],
)
def test_safe_text_shows_what_was_there(text: str, visible: str) -> None:
    assert safe(text) == visible


# ------------------------------------------------------------------------------------------------------------ list


def test_the_listing_names_each_run_shortly_and_tells_how_far_it_got(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    interrupted_run(tmp_path, started_utc="2026-08-02T10:00:00Z", title="Another question")
    text = shown(render_runs(store.lines(), store.problems()))
    rows = [line for line in text.splitlines() if line.startswith("2026")]
    assert [row.split()[0] for row in rows] == ["20260801T101112Z", "20260802T100000Z"]
    assert "2 of 2, 1 failed" in rows[0]
    assert rows[0].endswith("done")
    assert "1 of 2" in rows[1]
    assert rows[1].endswith("crashed")
    assert "(bookings-1, process guest, not a VM)" in text.replace("\n  ", " ")
    for row in rows:
        assert store.find(row.split()[0]).record.started_utc  # what is shown can be typed


@given(st.lists(st.text("ab", min_size=17, max_size=24), unique=True, min_size=1, max_size=8))
def test_short_names_are_unambiguous_beginnings(ids: list[str]) -> None:
    for full, short in short_names(ids).items():
        assert full.startswith(short)
        assert short == full or sum(other.startswith(short) for other in ids) == 1


def test_problems_of_the_store_are_shown(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    Path(writer.location, "run.json").write_text("{")
    assert store.list() == []
    text = shown(render_runs(store.lines(), store.problems()))
    assert "no run to show" in text
    assert "cut short" in " ".join(text.split())


# ------------------------------------------------------------------------------------------------------------ show


def test_a_run_shows_what_was_asked_where_and_what_came_of_it(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    run = store.find("last")
    text = shown(render_run(run, "THE VERDICT", store.environment(run), store.problems()))
    for words in (
        "process guest, not a VM (driver here)",
        "one: 1 vCPU, 1 GiB; two: 2 vCPUs, 1 GiB",
        "2 cells in 1 block, random order, seed 7",
        "warm-up 10 s to 5 min",
        "margin 3 %, confidence 95 %",
        "A CPU (host and guest)",
        f"+ measured {FIRST}",
        "2400 ± 24 per second over 12 to 80 s since launch",
        "0: 98.0/0.3/1.7",
        "! other load: 12 % of the host was busy",
        f"x failed   {SECOND}",
        "start: the guest did not answer within 2 min",
    ):
        assert words in " ".join(text.split()) or words in text, words
    assert text.index(FIRST) < text.index(SECOND) < text.index("THE VERDICT")


def test_a_plan_of_minutes_is_shown_in_minutes() -> None:
    plan = {"workloads": [{"name": "bookings", "reader": {"pattern": "x", "figure": "rate", "per": "minute"}}]}
    run = run_of(trial_record(), plan=plan)
    assert reader_of(run.record, "bookings") == ("rate", "minute")
    assert "144000 ± 1400 per minute" in shown(render_run(run))
    assert rates(run, run.trials[0], [{"time_s": 1000.0 + t, "value": 60} for t in range(3)]).rate == (1.0, 1.0, 1.0)


def test_an_interval_wider_than_its_mean_is_said_in_words() -> None:
    wide = Interval(mean=953711.0, low=953711.0 - 1.7e7, high=953711.0 + 1.7e7, effective_samples=1.0)
    record = trial_record(summary=summary().model_copy(update={"throughput": wide}))
    text = shown(render_run(run_of(record)))
    assert "953711 (± more than the mean) per second" in text
    assert "17000000" not in text


def test_how_long_a_trial_took_is_told_by_the_clock_that_is_never_set() -> None:
    """The wall clock went back by an hour in the middle, so its two times say nothing of the length."""
    set_back = trial_record(started_utc="2026-08-01T10:12:00.000Z", ended_utc="2026-08-01T09:14:00.000Z", seconds=120.0)
    text = flat(shown(render_trial(run_of(), set_back, TrialData((), (), (), (), ""))))
    assert "2026-08-01 10:12:00 to 09:14:00 UTC, 2 min" in text
    older = trial_record(started_utc="2026-08-01T10:12:00.000Z", ended_utc="2026-08-01T10:15:00.000Z", seconds=None)
    text = flat(shown(render_trial(run_of(), older, TrialData((), (), (), (), ""))))
    assert "10:12:00 to 10:15:00 UTC, 3 min" in text


def test_what_a_guest_says_of_itself_is_labelled_in_words() -> None:
    seen = {
        "online": "0-1,4",
        "memory_kib": "504832",
        "boot_id": "4b5b",
        "uptime_s": "4.21",
        "clocksource": "kvm-clock",
        "kernel": "6.1",
    }
    text = flat(shown(render_trial(run_of(), trial_record(seen_inside=seen), TrialData((), (), (), (), ""))))
    for words in (
        "CPUs online 3 (0-1,4)",
        "memory 493 MiB",
        "boot id 4b5b",
        "uptime 4.2 s",
        "clock source kvm-clock",
        "kernel 6.1",
    ):
        assert words in text
    odd = trial_record(seen_inside={"online": "all", "uptime_s": "1e999", "memory_kib": "nan"})
    text = flat(shown(render_trial(run_of(), odd, TrialData((), (), (), (), ""))))
    assert "CPUs online all memory nan" in text.replace("uptime 1e999 ", "")


def flat(text: str) -> str:
    return " ".join(text.split())


def test_an_interrupted_run_tells_how_to_go_on() -> None:
    assert "go on with: trialbed resume 20260801T101112Z-ferry-aaaa" in shown(render_run(run_of(state="interrupted")))
    assert "resume" not in shown(render_run(run_of()))


def test_a_trial_shows_its_stages_clocks_checks_series_and_last_words(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    run = store.find("last")
    text = shown(render_trial(run, run.trials[0], store.load_trial(run, FIRST), store.problems()))
    for pattern in (
        r"measured: steady from 12 s on",
        r"2400 ± 24 over 12 to 80 s since launch, from 38 effective samples",
        r"\[=+ steady window =+\]",
        r"0 +98\.0 +0\.3 +1\.7 +± 0\.2",
        r"steal seen by the guest +unavailable",
        r"\? unavailable +frequency",
        r"start +12 s +2",
        r"guest +before +\N{MINUS SIGN}12\.000123 s +± 120 µs +20",
        r"CPUs online +1 \(0\)",
        r"last 1 of 1 lines",
    ):
        assert re.search(pattern, text), pattern


def test_a_failed_trial_says_whose_fault_it_is() -> None:
    text = shown(render_trial(run_of(), failed_record(), TrialData((), (), (), (), "")))
    assert "in stage start; at fault is the guest" in text
    assert "too few readings to plot" in text
    assert "printed nothing" in text


def evil_run() -> tuple[StoredRun, TrialData]:
    doubt = [check.model_copy(update={"name": EVIL, "detail": EVIL}) for check in summary().checks]
    trial = trial_record(
        seen_inside={EVIL: EVIL}, reason=EVIL, summary=summary().model_copy(update={"checks": tuple(doubt)})
    )
    plan = {
        "shapes": [{"name": EVIL, "vcpus": EVIL}],
        "workloads": [{"name": EVIL, "threads": EVIL}],
        "decide": {"margin": EVIL},
    }
    run = run_of(
        trial,
        failed_record(reason=EVIL),
        title=EVIL,
        guest=EVIL,
        guest_kind=EVIL,
        hypervisor=EVIL,
        plan=plan,
        state=EVIL,
    )
    return run, trial_data(log=f"{EVIL}\n" * 3)


@pytest.mark.parametrize("width", [80, 40, 200])
def test_what_a_guest_says_cannot_steer_the_terminal_nor_break_the_page(width: int) -> None:
    run, data = evil_run()
    facts: dict[str, str | None] = {"cpu_model": EVIL, "kernel": EVIL}
    parts = [
        render_runs([run_line(run)], [EVIL]),
        render_run(run, None, Environment(host=facts, guest={}), [EVIL]),
        render_trial(run, run.trials[0], data, [EVIL]),
        render_trial(run, run.trials[1], data),
    ]
    text = "".join(shown(part, width=width) for part in parts)
    assert not {c for c in text if not c.isprintable()} - {"\n"}
    assert "[red]markup[/red]" in "".join(text.split("\n")).replace(" ", "")
    assert ":smile:" in text
    assert max(len(line) for line in shown(parts[1], width=width).splitlines()) <= width
    assert max(len(line) for line in shown(parts[2], width=width).splitlines()) <= width


def test_colour_carries_nothing_that_words_do_not() -> None:
    run, data = run_of(trial_record(), failed_record()), trial_data()
    for part in (render_runs([run_line(run)]), render_run(run), render_trial(run, run.trials[0], data)):
        coloured = shown(part, force_terminal=True, color_system="standard")
        assert "\x1b[" in coloured
        assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == shown(part)


def test_a_run_with_many_vcpus_shows_some_and_their_mean() -> None:
    text = shown(render_run(run_of(trial_record(summary=summary(64)))))
    assert "mean of all 64: 98.0/0.3/1.7" in " ".join(text.split())
    assert len(text.splitlines()) < 45


# ------------------------------------------------------------------------------------------------------------ plot


def steps(*rates: float) -> Throughput:
    return Throughput(tuple(float(t) for t in range(1, len(rates) + 1)), (1.0,) * len(rates), rates)


def heights(text: str) -> list[int]:
    """Filled cells in each column."""
    rows = [line.partition("|")[2] for line in text.splitlines() if "|" in line]
    width = max(len(row) for row in rows)
    return [sum(row.ljust(width)[column] == "█" for row in rows) for column in range(width)]


def test_columns_stand_on_zero_and_are_as_high_as_the_rates() -> None:
    found = heights(shown(Plot(steps(*[300.0] * 10, *[600.0] * 10))))
    assert set(found[:33]) == {3}
    assert set(found[36:68]) == {6}


def test_a_gap_stays_empty() -> None:
    times = [float(t) for t in range(1, 91) if not 30 < t <= 60]
    text = shown(Plot(Throughput(times, (1.0,) * len(times), (100.0,) * len(times))))
    found = heights(text)
    assert set(found[:22]) == {6}
    assert set(found[24:44]) == {0}
    assert set(found[47:68]) == {6}


def test_the_window_is_marked_where_it_is() -> None:
    text = shown(Plot(steps(*[1.0] * 100), window=Window(start_s=50.0, end_s=100.0)))
    axis = next(line for line in text.splitlines() if "+" in line).partition("+")[2]
    assert abs(axis.index("[") - len(axis) / 2) <= 1
    assert axis.rstrip().endswith("]")


@pytest.mark.parametrize("encoding", ["ascii", "utf-8"])
@pytest.mark.parametrize(
    "rates", [(), (1.0,), (0.0, 0.0), (math.nan, math.inf), (1e-9, 2e-9), (1e12, 2e12), (5.0, math.nan, 5.0)]
)
def test_any_series_can_be_plotted_on_any_terminal(rates: tuple[float, ...], encoding: str) -> None:
    text = shown(Plot(steps(*rates), window=Window(start_s=0.0, end_s=5.0)), encoding=encoding)
    assert max(len(line) for line in text.splitlines()) <= 80


# ------------------------------------------------------------------------------------------------------ which trial


@pytest.mark.parametrize("wanted", [FIRST, "0001", "1", "0001-one"])
def test_a_trial_is_picked_by_id_number_or_beginning(wanted: str) -> None:
    assert pick_trial(run_of(trial_record(), failed_record()), wanted).id == FIRST


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        ("000", "fits several"),
        ("two", "has no trial"),
        ("../x", "has no trial"),
        ("", "has no trial"),
        ("9" * 30, "has no trial"),
    ],
)
def test_a_trial_that_is_not_there_is_told(wanted: str, message: str) -> None:
    with pytest.raises(StoreError, match=message):
        pick_trial(run_of(trial_record(), failed_record()), wanted)


def test_a_trial_that_is_still_to_come_is_told() -> None:
    with pytest.raises(StoreError, match="planned and has not been run"):
        pick_trial(run_of(trial_record()), SECOND)
    with pytest.raises(StoreError, match="no finished trial yet"):
        pick_trial(run_of(), "1")


# ------------------------------------------------------------------------------------------------------------ JSON


def refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is no number of RFC 8259")


def test_json_holds_the_whole_record_and_only_numbers_that_json_has(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    run = store.find("last")
    data = store.load_trial(run, FIRST)
    odd = TrialData([*data.throughput, {"time_s": 1090.0, "value": math.nan}], data.host, data.guest, data.vcpu, EVIL)
    for value in (
        json_out.runs_json(store.lines()),
        json_out.run_json(run, store.environment(run), ["a problem"]),
        json_out.trial_json(run, run.trials[0], odd),
    ):
        text = json_out.to_json(value)
        assert text.isascii()
        assert not set(text) & set(map(chr, range(32))) - {"\n"}
        assert json.loads(text, parse_constant=refuse)["schema_version"] == 1
    trial = json.loads(json_out.to_json(json_out.trial_json(run, run.trials[0], odd)))
    assert trial["series"]["throughput"]["value"][-1] is None
    assert trial["series"]["host"]["load.1min"][5] is None
    assert trial["trial"]["summary"]["throughput"]["mean"] == 2400.0
    assert list(trial["trial"])[:3] == ["schema_version", "id", "number"]
    assert trial["log"] == EVIL


def test_json_of_any_value_of_the_package() -> None:
    import numpy as np

    value = {
        "a": (1, True, None),
        "b": np.float64("nan"),
        "c": np.int64(3),
        "d": {"y", "x"},
        "e": math.inf,
        "f": Path("x"),
        7: b"x",
    }
    assert json.loads(json_out.to_json(value), parse_constant=refuse) == {
        "a": [1, True, None],
        "b": None,
        "c": 3,
        "d": ["x", "y"],
        "e": None,
        "f": "x",
        "7": "b'x'",
    }


def test_showing_needs_no_parquet_library_for_a_listing(tmp_path: Path) -> None:
    import subprocess
    import sys

    whole_run(tmp_path)
    code = (
        "import sys; from pathlib import Path; from orchestrator.adapters.store.folder import FolderStore; "
        f"assert len(FolderStore(Path({str(tmp_path)!r})).list()) == 1; "
        "sys.exit(bool({'pyarrow', 'pandas', 'scipy', 'paramiko'} & set(sys.modules)))"
    )
    root = str(Path(__file__).parents[2])
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0
    assert isinstance(FolderStore(tmp_path).find("last"), StoredRun)


def test_facts_that_neither_machine_told_share_a_row() -> None:
    facts = Environment(host={"cpu_model": "A CPU", "kernel": "6.1"}, guest={"cpu_model": "A CPU", "kernel": None})
    text = " ".join(shown(render_run(run_of(), None, facts)).split())
    assert "CPU A CPU (host and guest)" in text
    assert "kernel 6.1 (host); not told (guest)" in text
    assert "not told CPUs online, SMT, frequency governor, boost, memory, operating system" in text


def test_a_host_without_a_login_is_said_with_why_and_the_driver_tells_of_the_guest() -> None:
    facts = Environment(
        host={"kernel": None},
        guest={"kernel": "6.1"},
        hypervisor={"hypervisor_version": "QEMU 7.2.17", "machine_type": None, "other_guests": "3"},
        unavailable={"host": {"kernel": "the lab gives no ssh access to it"}},
    )
    text = " ".join(shown(render_run(run_of(), None, facts)).split())
    assert "kernel 6.1 (guest)" in text
    assert "hypervisor QEMU 7.2.17 other guests running 3" in text
    assert "host not known: the lab gives no ssh access to it" in text


@pytest.mark.parametrize("point", [bullet, lambda text: next(iter(bullets([text])))])
def test_a_path_that_is_longer_than_a_line_is_folded_and_never_cut(point: Callable[[str], RenderableType]) -> None:
    path = "/srv/ferries/" + "x" * 150 + "/environment.json"
    page = io.StringIO()
    Console(width=80, file=page).print(point(f"{path}: damaged"))
    lines = page.getvalue().splitlines()
    assert f"{path}:damaged" in "".join("".join(lines).split())
    assert all(line.startswith(" " * 3) for line in lines[1:]), "further lines begin below the first word"


@pytest.mark.parametrize(
    ("mean", "half_width", "shown"),
    [
        (155.0, 1.4972, "155.0 ± 1.5"),
        (111.6664, 0.9824, "111.67 ± 0.98"),
        (16365.4, 237.0, "16365 ± 240"),
        (8, 0, "8 ± 0"),
    ],
)
def test_a_mean_has_as_many_decimals_as_its_error(mean: float, half_width: float, shown: str) -> None:
    """JCGM 100:2008, 7.2.6: two digits of an uncertainty, and the estimate rounded to agree with it."""
    bounds = Interval(mean=mean, low=mean - half_width, high=mean + half_width)
    assert rate_text(bounds, "second") == shown
