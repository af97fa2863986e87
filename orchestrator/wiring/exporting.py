"""A report as the content of a file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from orchestrator.adapters.interrupts import heed
from orchestrator.adapters.report.export.formats import PICTURES, Format
from orchestrator.core.verdict.words import count, some_of
from orchestrator.wiring.reporting import Asked, report_of, table_of
from orchestrator.wiring.views import not_back_words

if TYPE_CHECKING:
    from orchestrator.adapters.report.charts.palette import Scheme
    from orchestrator.adapters.report.document.parts import Document
    from orchestrator.core.record.run import StoredRun


@dataclass(frozen=True)
class Wish:
    """How a report is to be written.

    Attributes:
        plot: id of the chart that a picture shows; empty for an overview.
        scheme: of a picture.
    """

    format: Format
    plot: str = ""
    scheme: Scheme = "light"


@dataclass(frozen=True)
class Made:
    """A report that is to be written.

    Attributes:
        holds: what is in it, in a few words.
        remarks: what whoever reads it should know, a sentence each: of runs that have no end, and what is damaged.
    """

    content: bytes
    holds: str
    remarks: tuple[str, ...]


def make(what: Asked, wish: Wish) -> Made:
    """Make a report.

    Raises:
        StoreError: a run cannot be read.
        InputError: runs cannot be set against each other, there is no such chart, or an extra is not installed.
    """
    heed()
    if wish.format == "csv":
        from orchestrator.adapters.report.tables import to_csv

        table, problems = table_of(what)
        return Made(to_csv(table).encode("utf-8"), count(len(table), "row"), problems)
    report = report_of(what)
    content, holds = _picture(report.document, wish) if wish.format in PICTURES else _whole(report.document, wish)
    remarks = [*report.problems, *(remark for run in report.runs for remark in _standing(run))]
    return Made(content, holds, tuple(remarks))


def _picture(document: Document, wish: Wish) -> tuple[bytes, str]:
    from orchestrator.adapters.report.export import pictures

    picture = pictures.picture_of(document, wish.plot)
    content = (
        pictures.png(picture, wish.scheme)
        if wish.format == "png"
        else pictures.svg(picture, wish.scheme).encode("utf-8")
    )
    return content, some_of([chart.id for chart in picture.charts])


def _whole(document: Document, wish: Wish) -> tuple[bytes, str]:
    charts, tables = len([*document.charts()]), len([*document.tables()])
    match wish.format:
        case "pdf":
            from orchestrator.adapters.report.export.pdf import pdf

            content = pdf(document)
        case "xlsx":
            from orchestrator.adapters.report.export.workbook import tables_of, workbook

            joined = sum(len(tables_of(section)) for section in document.sections)
            return workbook(document), f"the answer and {count(joined, 'table')}"
        case "md":
            from orchestrator.adapters.report.export.markdown import markdown

            return markdown(document).encode("utf-8"), f"the answer and {count(tables, 'table')}"
        case _:
            from orchestrator.adapters.report.page.html import report_page

            content = report_page(document).encode("utf-8")
    return content, f"the answer, {count(charts, 'chart')} and {count(tables, 'table')}"


def _standing(run: StoredRun) -> list[str]:
    """What is not as it will be, or should be, with a run."""
    told = not_back_words(run)
    if run.state == "done":
        return told
    there = f"{len(run.trials)} of its {count(len(run.needed), 'trial')}"
    return [f"run {run.record.id} is not at its end ({run.standing}); the report has {there}", *told]
