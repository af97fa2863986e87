"""What a report on many runs says: what became of each cell, run by run, and which runs these were."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from library_of_runs import CELL, keep_run
from report_sources import column, section, sections, sentences, source_of, table

from orchestrator.adapters.report.content.history import history_document
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.parts import Chart, Document
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.record.run_line import run_line
from orchestrator.core.verdict.history.histories import histories
from orchestrator.core.verdict.history.results import CellHistory
from orchestrator.engine.listing import short_names

#: Means of whole runs, in per mille of the level: what changes from run to run.
NOISE = [3, -2, 5, -6, 1, 0, -4, 6, 2, -3]


def read(root: Path) -> tuple[list[RunSource], tuple[CellHistory, ...]]:
    """All runs of a store, and the histories of their cells."""
    store = FolderStore(root)
    names = [line.id for line in store.lines()]
    sources = [source_of(store, name) for name in names]
    lines = [run_line(source.run, source.environment) for source in sources]
    return sources, histories(lines, lambda _: True, short=short_names(names), per="minute")


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[RunSource], tuple[CellHistory, ...]]:
    """Ten nights; from the sixth on the host has another kernel and the cell is 6 % slower."""
    root = tmp_path_factory.mktemp("nights")
    for day, noise in enumerate(NOISE):
        after = day >= 5
        mean = 2400 * (0.94 if after else 1) * (1 + noise / 1000)
        host = {"kernel": "6.1.0-32" if after else "6.1.0-31"}
        keep_run(root, day, [mean * 0.997, mean * 1.001, mean * 1.002], host=host)
    return read(root)


@pytest.fixture(scope="module")
def document(nights: tuple[list[RunSource], tuple[CellHistory, ...]]) -> Document:
    sources, cells = nights
    return history_document(cells, sources, (), "minute")


def test_the_answer_on_one_cell_is_its_own(
    nights: tuple[list[RunSource], tuple[CellHistory, ...]], document: Document
) -> None:
    (cell,) = nights[1]
    assert document.kind == "history"
    short, detail = cell.answer
    assert document.answer == short
    assert re.fullmatch(r"A step: 6\.\d % less from the run of 2026-08-06 22:00 UTC on\.", short)
    _, told = sentences(section(document, "history-1"))
    assert told == detail.replace(" -", " \N{MINUS SIGN}").replace(" \N{MINUS SIGN}>", " ->")
    assert re.match(
        r"The step of 2026-08-06 22:00 has the interval -6\.\d % to -5\.\d %, beyond the margin\. It may begin", detail
    )
    assert all(point.run not in text and point.short not in text for point in cell.points for text in cell.answer)
    assert document.mark == "doubt"
    assert document.about.startswith("Ten runs from 2026-08-01 22:00 to 2026-08-10 22:00 UTC, guest bookings-1 (")
    assert [found.id for found in document.sections] == ["history-1", "runs"]


def test_a_cell_has_a_chart_and_a_row_a_run_with_what_changed_before_it(
    nights: tuple[list[RunSource], tuple[CellHistory, ...]], document: Document
) -> None:
    (cell,) = nights[1]
    found = section(document, "history-1")
    assert (found.title, found.mark, found.summary) == (CELL, "doubt", "has a step")
    (chart,) = (block for block in found.blocks if isinstance(block, Chart))
    assert chart.table is None, "its figures are told once, in the table below it"
    assert chart.told_below
    points = table(found, f"{CELL} through its runs")
    assert column(points, "throughput") == [point.per_s * 60 for point in cell.points]
    assert column(points, "level") == [point.level_per_s * 60 for point in cell.points]
    changed = column(points, "changed before it")
    assert "6.1.0-31" in changed[5]
    assert points.marked == {at for at, point in enumerate(cell.points) if point.run in {s.run for s in cell.steps}}


def test_the_answer_of_a_cell_is_not_told_a_second_time_below_the_first(document: Document) -> None:
    told = [document.answer, *(text for found in sections(document) for text in sentences(found))]
    assert len(told) == len(set(told))


def test_the_runs_are_listed_with_the_answer_of_each(
    nights: tuple[list[RunSource], tuple[CellHistory, ...]], document: Document
) -> None:
    runs = table(section(document, "runs"), "Runs")
    assert len(runs.rows) == len(NOISE)
    assert column(runs, "answer") == [source.verdict.answer for source in nights[0]]
    assert column(runs, "trials") == ["3 of 3"] * len(NOISE)


def test_what_is_true_of_several_cells_is_told_once_with_their_names(tmp_path: Path) -> None:
    for day in range(2):
        keep_run(tmp_path, day, [2400.0, 2401.0], guest="bookings-1")
        keep_run(tmp_path, day + 4, [2400.0, 2401.0], guest="bookings-2")
    sources, cells = read(tmp_path)
    document = history_document(cells, sources, ("run.json of a run is cut short",), "second")
    assert document.answer == "Both cells have too few runs to tell."
    assert document.certainty.startswith("Each cell is judged by itself, at 95 %")
    assert document.warnings == (
        "Damaged: run.json of a run is cut short",
        "Guest bookings-1: process guest, not a VM.",
        "Guest bookings-2: process guest, not a VM.",
    )
    assert document.sections[0].id == "shared"
    told = [text for found in sections(document) for text in sentences(found)]
    assert len(told) == len(set(told))


def test_cells_stand_by_workload_then_threads_then_vcpus(
    nights: tuple[list[RunSource], tuple[CellHistory, ...]],
) -> None:
    sources, (cell,) = nights
    about = [("timetable", 1, 2), ("bookings", 2, 2), ("bookings", 1, 10), ("bookings", 1, 4)]
    cells = [
        cell.model_copy(
            update={"cell": f"{load}-{vcpus}-t{threads}", "workload": load, "threads": threads, "vcpus": vcpus}
        )
        for load, threads, vcpus in about
    ]
    found = [
        part.title for part in history_document(cells, sources, (), "minute").sections if part.id.startswith("history-")
    ]
    assert found == ["bookings-4-t1", "bookings-10-t1", "bookings-2-t2", "timetable-2-t1"]


def test_a_history_of_nothing_says_so() -> None:
    document = history_document((), (), (), "second")
    assert document.answer == "No cell of these runs was measured, so nothing can be said."
    assert document.mark == "open"
