"""Readings from elsewhere as runs: judged as by hand, kept, listed, shown, and marked as imported wherever they are."""

from __future__ import annotations

import io
import json
import math
import sys
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from orchestrator.cli import invoke
from orchestrator.testing.series import known

#: Readings as practitioners take them by hand (common practice, no published source).
BY_HAND = """\
shape,vcpus,memory,threads,block,throughput,run,wait,idle
one,1,1 GiB,1,1,2400,62,10,36
two CPUs,2,1 GiB,1,1,1470,,,
two CPUs,2,1 GiB,2,1,2500,,90,
one,1,1 GiB,1,2,2410,62,10,28
two CPUs,2,1 GiB,1,2,1480,,,
two CPUs,2,1 GiB,2,2,2490,,,
"""
ONE, TWO = (1200.0, 1209.0, 1196.0), (1244.0, 1251.0, 1239.0, 1248.0)
WITHOUT_BLOCKS = "shape,vcpus,threads,throughput\n" + "".join(
    f"{shape},{vcpus},1,{figure}\n"
    for shape, vcpus, figures in (("one", 1, ONE), ("two", 2, TWO))
    for figure in figures
)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a table and logs, which is also the working directory."""
    (tmp_path / "march.csv").write_text(BY_HAND)
    (tmp_path / "logs").mkdir()
    # T1 is 100 - 40 exp(-t / 50) + noise, so its steady mean is 100; T4 drifts and is never steady.
    for name in ("T1", "T4"):
        log = "".join(f"{1_700_000_000 + 5 * at},{value}\n" for at, value in enumerate(known(name)))
        (tmp_path / "logs" / f"{name}.csv").write_text(f"time,bookings\n{log}")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def printed(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def as_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    capsys.readouterr()
    invoke([*arguments, "--json"])
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("table", [BY_HAND, WITHOUT_BLOCKS], ids=["in blocks", "without blocks"])
def test_an_imported_run_is_judged_as_the_same_table_is(
    table: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "table.csv").write_text(table)
    judged = as_json(capsys, "judge", "table.csv", "--per", "minute")
    assert invoke(["import", "table.csv", "--per", "minute"]) == 0
    shown = as_json(capsys, "show", "last", "--per", "minute")["verdict"]
    for part in ("answer", "cells", "comparisons", "recommendations", "demands"):
        assert shown[part] == judged[part]
    assert set(shown["remarks"]) == set(judged["remarks"])


def test_a_report_shows_the_series_of_imported_logs(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "logs.csv").write_text("shape,vcpus,threads,log\none,1,1,logs/T1.csv\ntwo,2,1,logs/T4.csv\n")
    invoke(["import", "logs.csv"])
    capsys.readouterr()
    assert invoke(["report", "last", "--format", "md", "-o", "-"]) == 0
    report = capsys.readouterr().out
    assert f" of {len(known('T1'))} readings" in report
    assert "since its first reading, from " in report
    assert "launch" not in report
    assert "**Reading 1, one-load-t1: operations per second**" in report
    assert "Reading 1 part by part" in report
    assert "vCPUs' time" not in report, "nobody looked at it"


def test_a_report_of_figures_says_nothing_of_blocks_windows_and_logs(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "table.csv").write_text(WITHOUT_BLOCKS)
    invoke(["import", "table.csv"])
    capsys.readouterr()
    assert invoke(["report", "last", "--format", "md", "-o", "-"]) == 0
    report = capsys.readouterr().out
    heads = [line for line in report.splitlines() if line.startswith("| of | against |")]
    assert heads
    assert all("readings" in head and "blocks" not in head for head in heads)
    assert "| number | of its cell | shape | threads | outcome | throughput (per second) | flags |" in report
    assert "steady from" not in report
    assert "Their table lies with the run" in report


def test_readings_without_blocks_are_compared_as_welch_does(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SciPy's Welch test on logarithms: the sides are never paired, though each reading has a number."""
    (place / "table.csv").write_text(WITHOUT_BLOCKS)
    (found,) = as_json(capsys, "import", "table.csv")["verdict"]["comparisons"]
    welch = stats.ttest_ind([math.log(x) for x in TWO], [math.log(x) for x in ONE], equal_var=False)
    low, high = welch.confidence_interval(0.95)
    assert (found["low"], found["high"]) == pytest.approx((math.exp(low), math.exp(high)), rel=1e-9)


def test_a_log_is_read_as_read_reads_it_and_kept_with_the_table(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "logs.csv").write_text("shape,vcpus,threads,log\none,1,1,logs/T1.csv\ntwo,2,1,logs/T4.csv\n")
    read = as_json(capsys, "read", "logs/T1.csv")
    assert read["low"] < 100 < read["high"]
    run = as_json(capsys, "import", "logs.csv", "--per", "minute")
    steady, drifting = run["trials"]
    mean = steady["summary"]["throughput"]
    assert [mean[key] * 60 for key in ("mean", "low", "high")] == pytest.approx(
        [read[k] for k in ("mean", "low", "high")]
    )
    window = steady["summary"]["window"]
    assert (window["start_s"], window["end_s"]) == tuple(at - 1_700_000_000 for at in read["window_s"])
    assert (steady["outcome"], drifting["outcome"]) == ("measured", "unsteady")
    assert "not steady: drift" in drifting["reason"]

    kept = Path(run["location"]) / "inputs"
    for name, given in (("table.csv", "logs.csv"), ("logs/logs/T1.csv", "logs/T1.csv")):
        assert (kept / name).read_bytes() == (place / given).read_bytes()
    assert invoke(["verify", "last"]) == 0
    capsys.readouterr()
    assert invoke(["show", "last", "1"]) == 0
    text = printed(capsys)
    assert "s since its first reading" in text
    assert "launch" not in text


def test_it_says_wherever_it_is_shown_that_it_was_imported(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = ["--guest", "bookings-1", "--when", "2026-03-01", "--title", "Old hosts", "--note", "spring timetable"]
    assert invoke(["import", "march.csv", "--per", "minute", *told]) == 0
    assert "Six readings of three cells in two blocks, imported as run 20260301T" in printed(capsys)
    for command in (["show", "last"], ["list"], ["status", "last"], ["show", "last", "1"]):
        assert invoke(command) == 0
        assert "imported" in printed(capsys)
    invoke(["show", "last", "--per", "minute"])
    text = printed(capsys)
    for part in (
        "imported, not measured here",
        "began 2026-03-01",
        "note spring timetable",
        "2400 (no interval) per minute",
    ):
        assert part in text
    assert "run/wait/idle % over all vCPUs: 62.0/10.0/36.0" in text
    assert as_json(capsys, "show", "last")["run"]["origin"] == "imported"


@pytest.mark.parametrize("command", [["resume", "last"], ["restore", "last"], ["restore", "last", "--check"]])
def test_what_needs_a_guest_is_refused(command: list[str], place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    invoke(["import", "march.csv"])
    assert invoke(command) == 2
    assert "lab.yaml" not in capsys.readouterr().err


def test_an_import_that_was_cut_short_is_not_gone_on_with(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = Path(as_json(capsys, "import", "march.csv")["location"])
    (run / "SHA256SUMS").unlink()
    journal = (run / "journal.jsonl").read_text().splitlines(keepends=True)
    (run / "journal.jsonl").write_text("".join(journal[:-1]))
    assert invoke(["resume", "last"]) == 2
    assert "delete it, and import it again" in capsys.readouterr().err


def test_no_load_with_an_answer_is_a_no(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "logs.csv").write_text("shape,vcpus,threads,log\none,1,1,logs/T4.csv\n")
    assert invoke(["import", "logs.csv"]) == 1
    assert "it does not count" in printed(capsys)


def test_standard_input_will_do(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    table = b"shape,vcpus,threads,log,throughput\none,1,1,logs/T1.csv,\none,1,1,-,99.5\n"
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(table)))
    found = as_json(capsys, "import", "-")
    assert [trial["outcome"] for trial in found["trials"]] == ["measured", "measured"]
    assert found["run"]["title"] == "Readings"


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("shape,vcpus,threads,log\none,1,1,logs/T1.csv\ntwo,2,1,logs/T1.csv\n", ["3:log: 'logs/T1.csv' is the log of"]),
        ("shape,vcpus,threads,log,throughput\none,1,1,,\n", ["2:throughput and log: are both empty"]),
        ("shape,vcpus,threads,log,throughput\none,1,1,logs/T1.csv,9\n", ["2:throughput and log: are both filled in"]),
        ("shape,vcpus,threads,lgo\none,1,1,logs/T1.csv\n", ["1:'lgo': unknown column; did you mean log?"]),
        ("shape,vcpus,threads\none,1,1\n", ["1:throughput: the column is missing", "throughput or log"]),
        (
            "shape,vcpus,threads,log\none,1,1,gone.csv\ntwo,2,1,march.csv\nsix,6,1,logs\n",
            ["gone.csv: cannot be read", "the log of line 2", "march.csv:2: has", "logs: cannot be read"],
        ),
        ("shape,vcpus,threads,throughput\n../one,1,1,0\n", ["2:throughput: '0' is no throughput"]),
    ],
)
def test_wrong_tables_are_told_all_at_once_and_nothing_is_kept(
    table: str, said: list[str], place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "table.csv").write_text(table)
    assert invoke(["import", "table.csv"]) == 2
    problems = capsys.readouterr().err
    for part in said:
        assert part in problems
    assert not (place / "results").exists()


@pytest.mark.parametrize(
    ("option", "said"),
    [
        (["--when", "2999-01-01"], "is still to come"),
        (["--when", "yesterday"], "is not a date"),
        (["--when", "2026-02-30"], "is not a date"),
        (["--title", "two\nlines"], "not one line"),
        (["--guest", " "], "not one line"),
    ],
)
def test_wrong_options_are_told(option: list[str], said: str, place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["import", "march.csv", *option]) == 2
    assert said in capsys.readouterr().err
    assert not (place / "results").exists()
