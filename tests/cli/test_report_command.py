"""``report`` as a person uses it: one run, two, many; every format; and whatever may be wrong."""

from __future__ import annotations

import io
import re
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from measured_runs import measured_run
from stored_runs import FIRST, interrupted_run, whole_run

from orchestrator.cli import invoke
from orchestrator.core.verdict.words import count

RATES = {("one", 1): 120.0, ("two", 1): 118.0, ("two", 2): 210.0}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three runs, a day after each other; the second is a tenth slower."""
    root = tmp_path_factory.mktemp("place") / "results"
    for day, factor in ((20, 1.0), (21, 0.9), (22, 1.0)):
        measured_run(
            root, f"2026-11-{day}T21:00:00.000Z", {cell: rate * factor for cell, rate in RATES.items()}, blocks=3
        )
    return root


@pytest.fixture(autouse=True)
def here(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRIALBED_STORE", str(store))


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one message of a report that is not made; it leaves nothing behind."""
    capsys.readouterr()
    before = sorted(Path().rglob("*"))
    assert invoke(["report", *words]) == 2
    assert sorted(Path().rglob("*")) == before
    told = capsys.readouterr()
    assert not told.out
    return told.err


def test_one_run_gives_a_page_named_after_it_and_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["report", "20261120"]) == 0
    (page,) = Path().iterdir()
    assert page.name.startswith("20261120T210000Z-how-many-vcpus")
    assert page.suffix == ".html"
    assert page.read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    told = capsys.readouterr()
    assert told.out.startswith(f"{page.name}: ")
    assert "with the answer, " in told.out
    assert (told.out.count("\n"), told.err) == (1, "")


def test_two_runs_are_set_against_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["report", "20261120", "20261121", "-o", "-", "--format", "md"]) == 0
    text = capsys.readouterr().out
    assert "slower" in text
    assert invoke(["report", "20261120", "20261121", "--format", "csv"]) == 0
    (table,) = Path().glob("20261121*-compared.csv")
    cells = pd.read_csv(table)
    assert set(cells["verdict"]) == {"slower"}
    assert cells["ratio"].tolist() == pytest.approx([0.9] * 3, rel=0.01)


def test_the_first_may_be_a_baseline_and_each_of_the_others_is_set_against_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert invoke(["baseline", "set", "autumn", "20261120"]) == 0
    assert invoke(["report", "autumn", "20261121", "20261122", "-o", "change.csv"]) == 0
    assert pd.read_csv("change.csv").groupby("new_run").size().tolist() == [3, 3]
    capsys.readouterr()
    assert invoke(["report", "autumn", "20261122", "-o", "-", "--format", "md"]) == 0
    assert "baseline autumn" in capsys.readouterr().out
    assert "'autumn' is a baseline; name the run that is set against it" in refused(capsys, "autumn")


def test_three_runs_are_the_history_of_their_cells_oldest_first() -> None:
    assert invoke(["report", "20261122", "20261120", "20261121", "-o", "history.csv"]) == 0
    table = pd.read_csv("history.csv")
    assert table.groupby("cell").size().to_dict() == {
        "one-bookings-t1": 3,
        "two-bookings-t1": 3,
        "two-bookings-t2": 3,
    }
    assert table["run"].str[:8].tolist() == ["20261120", "20261121", "20261122"] * 3


def test_the_table_of_one_run_is_that_of_show(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["report", "20261120", "-o", "trials.csv"]) == 0
    capsys.readouterr()
    assert invoke(["show", "20261120", "--csv"]) == 0
    shown = capsys.readouterr().out
    assert Path("trials.csv").read_text(encoding="utf-8") == shown
    assert len(pd.read_csv(io.StringIO(shown))) == 9


def test_figures_of_the_workbook_are_those_of_the_store(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["report", "20261120", "-o", "report.xlsx"]) == 0
    sheets = len(openpyxl.load_workbook("report.xlsx").sheetnames)
    assert f"with the answer and {count(sheets - 1, 'table')}" in capsys.readouterr().out
    assert invoke(["report", "20261120", "-o", "trials.csv"]) == 0
    numbers = {
        cell.value
        for sheet in openpyxl.load_workbook("report.xlsx")
        for row in sheet.iter_rows()
        for cell in row
        if cell.data_type == "n"
    }
    for rate in pd.read_csv("trials.csv")["throughput_per_s"]:
        assert any(value == pytest.approx(rate, rel=1e-12) for value in numbers if value is not None)


def test_a_picture_shows_the_answer_or_the_one_chart_that_was_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["report", "20261120", "-o", "overview.png"]) == 0
    assert Path("overview.png").read_bytes().startswith(b"\x89PNG")
    assert "with throughput-bookings" in capsys.readouterr().out
    assert invoke(["report", "20261120", "-o", "dark.svg", "--plot", "throughput-bookings", "--scheme", "dark"]) == 0
    assert "Throughput of bookings" in Path("dark.svg").read_text(encoding="utf-8")
    assert "no chart trial-99; it has throughput-bookings" in refused(
        capsys, "20261120", "-o", "x.svg", "--plot", "trial-99"
    )


@pytest.mark.parametrize("form", ["html", "svg", "md", "csv", "xlsx"])
def test_the_same_run_gives_the_same_bytes(form: str) -> None:
    for name in ("a", "b"):
        assert invoke(["report", "20261120", "-o", f"{name}.{form}"]) == 0
    assert Path(f"a.{form}").read_bytes() == Path(f"b.{form}").read_bytes()


def test_a_folder_is_given_the_file_under_its_own_name(capsys: pytest.CaptureFixture[str]) -> None:
    Path("reports").mkdir()
    assert invoke(["report", "20261120", "-o", "reports", "--format", "csv"]) == 0
    (made,) = Path("reports").iterdir()
    assert capsys.readouterr().out.startswith(f"{made}: ")


def test_what_is_there_is_written_over_only_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    Path("report.csv").write_text("mine", encoding="utf-8")
    assert "is there already; give another name with --output, or --replace" in refused(
        capsys, "last", "-o", "report.csv"
    )
    assert Path("report.csv").read_text(encoding="utf-8") == "mine"
    assert invoke(["report", "last", "-o", "report.csv", "--replace"]) == 0
    assert Path("report.csv").read_text(encoding="utf-8").startswith("trial,")


def test_wrong_input_is_one_message(capsys: pytest.CaptureFixture[str]) -> None:
    assert "begins with 'nosuch'" in refused(capsys, "nosuch")
    assert "is named twice; name each run once" in refused(capsys, "20261120", "20261120T")
    assert "ends in none of" in refused(capsys, "last", "-o", "report.txt")
    assert "is named as html and --format asks for pdf" in refused(capsys, "last", "-o", "r.html", "--format", "pdf")
    assert "there is no folder nowhere; make it first" in refused(capsys, "last", "-o", "nowhere/r.html")
    assert "--plot is of png and svg, and this is to be html" in refused(capsys, "last", "--plot", "trial-1")
    assert "--scheme is of png and svg" in refused(capsys, "last", "-o", "r.md", "--scheme", "dark")


def test_a_run_that_was_broken_off_is_reported_as_far_as_it_got(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    interrupted_run(tmp_path / "store")
    assert invoke(["report", "last", "--store", str(tmp_path / "store"), "-o", "-", "--format", "md"]) == 0
    told = capsys.readouterr()
    assert "is not at its end" in told.err
    assert "has 1 of its two trials" in told.err
    assert "0001-one-bookings-t1-b1" in told.out


def test_a_damaged_trial_is_named_and_the_rest_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store, writer = whole_run(tmp_path / "store")
    folder = Path(store.find(writer.id).location) / "trials" / FIRST
    (folder / "throughput.parquet").write_bytes(b"not a table")
    (folder / "host.parquet").unlink()
    assert invoke(["report", "last", "--store", str(tmp_path / "store"), "-o", "-", "--format", "md"]) == 0
    told = capsys.readouterr()
    assert "throughput.parquet" in told.err
    assert "host.parquet" in told.err
    assert "2400" in told.out


def test_names_that_try_to_be_more_than_names_are_text_in_every_format(tmp_path: Path) -> None:
    title = "=cmd() <script>alert(1)</script> | a \u202e b\x1b[31m\n# x"
    root = tmp_path / "store"
    measured_run(root, "2026-11-20T21:00:00.000Z", RATES, title=title, guest="<img src=x onerror=alert(1)>")
    for form in ("html", "svg", "md", "xlsx"):
        assert invoke(["report", "last", "--store", str(root), "-o", f"r.{form}"]) == 0
    for form in ("html", "svg", "md"):
        text = Path(f"r.{form}").read_text(encoding="utf-8")
        assert not re.search(r"(?<!\\)<(script>alert|img src=x)", text), form
        assert not {"\u202e", "\x1b"} & set(text)
    cells = [cell for sheet in openpyxl.load_workbook("r.xlsx") for row in sheet.iter_rows() for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
