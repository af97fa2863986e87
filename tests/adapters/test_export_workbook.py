"""Reports as workbooks, read by openpyxl."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from xml.etree import ElementTree as ET

import openpyxl
import pytest
from export_documents import HOSTILE, document, figures, hostile
from openpyxl.workbook import Workbook

from orchestrator.adapters.report.document.parts import Column, Document, Number, Section, Table
from orchestrator.adapters.report.export.workbook import workbook
from orchestrator.adapters.report.plain import safe


def opened(report: Document) -> Workbook:
    return openpyxl.load_workbook(io.BytesIO(workbook(report)))


def with_tables(*tables: Table) -> Document:
    return replace(document(), sections=(Section("t", "T", tables),))


def test_the_first_sheet_has_the_answer_and_what_the_others_hold() -> None:
    book = opened(document())
    texts = [cell.value for row in book["answer"].iter_rows() for cell in row if cell.value]
    assert texts[:5] == [
        "How many vCPUs does the bookings database need?",
        "run 20260801T101112Z-how-many, guest bookings-1, 2026-08-01",
        "Take shape two (2 vCPUs) for two threads.",
        "This is shown at 95 % confidence.",
        "This guest is simulated.",
    ]
    for name in book.sheetnames[1:]:
        assert name in texts


def test_figures_are_unrounded_numbers_shown_as_the_report_shows_them() -> None:
    sheet = opened(with_tables(figures())).worksheets[1]
    assert [cell.value for cell in sheet[1]] == ["cell", "throughput (operations a second)", "wait (%)", "answer"]
    cell = sheet["B2"]
    assert (cell.data_type, cell.value, cell.number_format) == ("n", 1203.512345, "0.0")
    assert (sheet["B3"].value, sheet["B3"].number_format) == (2406.25, "0")
    assert sheet["C2"].value == 0


def test_what_is_unavailable_is_empty_and_never_zero() -> None:
    assert opened(with_tables(figures())).worksheets[1]["C3"].value is None


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_figure_that_no_spreadsheet_can_hold_is_its_text(value: float) -> None:
    table = Table("t", (Column("x", figures=True),), ((Number("more than any", value),),))
    assert opened(with_tables(table)).worksheets[1]["A2"].value == "more than any"


def test_the_head_stays_in_sight_and_columns_fit_what_is_in_them() -> None:
    sheet = opened(with_tables(figures())).worksheets[1]
    assert sheet.freeze_panes == "B2"
    assert sheet.column_dimensions["A"].width >= len("one-bookings-t1")


def test_no_text_is_a_formula_or_a_link() -> None:
    content = workbook(hostile())
    book = openpyxl.load_workbook(io.BytesIO(content))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} == {"s", "n"}
    assert all(cell.hyperlink is None for cell in cells)
    assert all(cell.quotePrefix for cell in cells if cell.data_type == "s" and cell.value.startswith("="))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in archive.namelist():
            assert b"<f>" not in archive.read(name), name
            assert b"<hyperlink " not in archive.read(name), name
            ET.fromstring(archive.read(name))


def test_texts_stand_there_as_they_are_shown() -> None:
    sheet = opened(hostile()).worksheets[1]
    assert [sheet.cell(row, 1).value for row in range(2, 2 + len(HOSTILE))] == [
        safe(text, 4000) or None for text in HOSTILE
    ]


def test_sheets_have_names_that_every_spreadsheet_takes() -> None:
    """Microsoft: at most 31 characters, none of []:*?/\\, no apostrophe at an end, not History, no two alike."""
    captions = [
        "",
        "'",
        "History",
        "history",
        "a" * 40,
        "A" * 40,
        "[x]:*?/\\",
        "\U0001f6a2" * 20,
        "cells",
        "Cells",
        "answer",
    ]
    names = opened(with_tables(*(figures(caption=caption) for caption in captions))).sheetnames
    assert len({name.casefold() for name in names}) == len(captions) + 1
    for name in names:
        assert 1 <= len(name.encode("utf-16-le")) / 2 <= 31
        assert not re.search(r"[\[\]:*?/\\]|^'|'$", name)
        assert name.casefold() != "history"


def test_a_long_name_is_cut_after_a_word_and_keeps_which_run_it_is_of() -> None:
    long = "Where the time of each vCPU went"
    assert opened(with_tables(figures(caption="Facts that are not known, and why"))).sheetnames[1] == (
        "Facts that are not known"
    )
    sides = tuple(Section(title, f"The {title}", (figures(caption=long),)) for title in ("base", "new run"))
    assert opened(replace(with_tables(), sections=sides)).sheetnames[1:] == [
        "Where the time, the base",
        "Where the time, the new run",
    ]


def test_tables_that_trials_have_alike_are_one_sheet() -> None:
    """A hundred trials would make hundreds of sheets, in which nothing can be filtered or sorted."""
    trials = [
        Section(f"trial-{n}", f"Trial {n}", (figures(caption=f"Trial {n}: stages"), figures(caption="", columns=other)))
        for n, other in ((1, ()), (2, ()))
    ]
    sheet = opened(replace(document(), sections=(Section("trials", "Trials", parts=tuple(trials)),)))["stages"]
    assert [cell.value for cell in sheet["A"]][:5] == ["of", "Trial 1", "Trial 1", "Trial 2", "Trial 2"]
    assert sheet["B5"].font.bold
    assert not sheet["B4"].font.bold


def test_the_same_report_gives_the_same_bytes_and_no_time_of_writing() -> None:
    assert workbook(document()) == workbook(document())
    book = opened(document())
    assert book.properties.created.year == 1980
    assert book.properties.title == "How many vCPUs does the bookings database need?"
