"""What the report of cells through many runs says."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from orchestrator.adapters.report.charts.history import history_chart
from orchestrator.adapters.report.compare_words import by_text
from orchestrator.adapters.report.content.answer import what_it_was
from orchestrator.adapters.report.content.identity import distinct
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.minus import with_true_minus
from orchestrator.adapters.report.document.numbers import text
from orchestrator.adapters.report.document.parts import (
    Block,
    Document,
    Mark,
    Paragraph,
    Section,
    Sentences,
    Table,
)
from orchestrator.adapters.report.runs_text import minute, tally_text
from orchestrator.core.record.run_line import tally
from orchestrator.core.verdict.history.results import CellHistory
from orchestrator.core.verdict.words import capital, count, in_words, listed, shortened, so_many_of, some_of
from orchestrator.engine.listing import short_names
from orchestrator.units import format_size

#: How a history stands, in a few words.
_KINDS: Mapping[str, tuple[Mark, str, str]] = {
    "steps": ("doubt", "has a step", "have a step"),
    "drift": ("doubt", "drifts", "drift"),
    "drift and steps": ("doubt", "drifts and has a step", "drift and have a step"),
    "steps or drift": ("doubt", "steps or drifts", "step or drift"),
    "level": ("good", "is level", "are level"),
    "too few": ("open", "has too few runs to tell", "have too few runs to tell"),
}
#: Of a SHA-256, enough to tell two versions of a file apart.
_DIGITS = 12


def history_document(
    histories: Sequence[CellHistory], sources: Sequence[RunSource], problems: Sequence[str], per: str
) -> Document:
    """The report of cells through many runs: by workload, then threads, then vCPUs.

    Args:
        histories: one for each cell on each guest.
        sources: the runs, as far as they can be read, oldest first.
        problems: what could not be read.
        per: period of the throughputs.
    """
    histories = sorted(histories, key=lambda cell: (cell.workload, cell.threads, cell.vcpus))
    names = Counter((cell.cell, cell.guest) for cell in histories)
    shared = _shared(histories)
    sections = [
        _history(at, cell, per, _own(histories, cell, shared), alone=names[cell.cell, cell.guest] == 1)
        for at, cell in enumerate(histories, start=1)
    ]
    if shared:
        alike = by_text((cell.cell, text) for cell in histories for text in _told(cell) if text in shared)
        sections.insert(0, Section("shared", "Of several cells alike", (Sentences(tuple(alike)),)))
    titles = {source.run.record.title for source in sources}
    return with_true_minus(
        Document(
            kind="history",
            title=titles.pop() if len(titles) == 1 else "Cells through many runs",
            about=capital(", ".join([*_span(sources), *_guests(histories)])),
            answer=_answer(histories),
            certainty=_certainty(histories),
            mark=_mark(histories),
            warnings=(*(f"Damaged: {problem}" for problem in problems), *_not_back(sources), *_what_they_were(sources)),
            sections=distinct([*sections, _runs(sources)]),
        )
    )


def _span(sources: Sequence[RunSource]) -> Iterator[str]:
    if sources:
        first, last = (minute(source.run.record.started_utc) for source in (sources[0], sources[-1]))
        when = f" from {first} to {last} UTC" if len(sources) > 1 else f" of {first} UTC"
        yield f"{count(len(sources), 'run')}{when}"


def _guests(histories: Sequence[CellHistory]) -> Iterator[str]:
    guests = list(dict.fromkeys(f"{cell.guest} ({cell.guest_kind})" for cell in histories))
    if guests:
        yield f"{'guest' if len(guests) == 1 else 'guests'} {listed(guests)}"


def _answer(histories: Sequence[CellHistory]) -> str:
    """The only cell's own; of several, how many changed."""
    if not histories:
        return "No cell of these runs was measured, so nothing can be said."
    if len(histories) == 1:
        return histories[0].answer[0]
    told = []
    for kind, (mark, one, several) in _KINDS.items():
        if cells := [cell.cell for cell in histories if cell.kind == kind]:
            if len(cells) == len(histories):
                return f"{capital(so_many_of(len(cells), len(cells), 'cell'))} {several}."
            named = f" ({some_of(cells)})" if mark == "doubt" else ""
            told.append(f"{in_words(len(cells))} {one if len(cells) == 1 else several}{named}")
    return f"Of {count(len(histories), 'cell')} {'; '.join(told)}."


def _certainty(histories: Sequence[CellHistory]) -> str:
    if len(histories) < 2:
        return ""
    return "Each cell is judged by itself, at 95 %: one in twenty that are level seems to change."


def _mark(histories: Sequence[CellHistory]) -> Mark:
    marks = [_KINDS[cell.kind][0] for cell in histories]
    return "doubt" if "doubt" in marks else "good" if "good" in marks else "open"


def _not_back(sources: Sequence[RunSource]) -> Iterator[str]:
    for source in sources:
        for left in source.run.not_back:
            yield f"NOT PUT BACK by run {source.run.record.id}: guest {left.guest}: {left.reason.removesuffix('.')}."


def _shared(histories: Sequence[CellHistory]) -> frozenset[str]:
    """Sentences that are true of several cells: each is told once."""
    told = Counter(text for cell in histories for text in {*_told(cell)})
    return frozenset(text for text, times in told.items() if times > 1)


def _own(histories: Sequence[CellHistory], cell: CellHistory, shared: frozenset[str]) -> tuple[str, ...]:
    """What is said of one cell below its heading; the front of the answer on an only one is the report's."""
    told = _told(cell) if len(histories) > 1 else (*cell.answer[1:], *cell.remarks)
    return tuple(text for text in told if text not in shared)


def _told(cell: CellHistory) -> tuple[str, ...]:
    """All that is said of a cell: the answer on it, which is one text, and the remarks."""
    return (" ".join(cell.answer), *cell.remarks)


def _what_they_were(sources: Sequence[RunSource]) -> list[str]:
    return list(dict.fromkeys(told for source in sources for told in what_it_was(source.run)))


def _history(at: int, cell: CellHistory, per: str, told: tuple[str, ...], *, alone: bool) -> Section:
    mark, kind, _ = _KINDS[cell.kind]
    memory = "" if cell.memory is None else f", {format_size(cell.memory)}"
    files = ", ".join(f"{name} {digest[:_DIGITS]}" for name, digest in cell.files.items())
    which = "" if alone or not files else f"; files of the load: {files}"
    about = f"{count(cell.vcpus, 'vCPU')}{memory}, on guest {cell.guest} ({cell.guest_kind}){which}."
    blocks: list[Block] = [Paragraph(capital(about))]
    if told:
        blocks.append(Sentences(told))
    chart = history_chart(cell, per)
    # The table is for everybody: it says what the chart only numbers.
    blocks.append(replace(chart, table=None, told_below=chart.table is not None))
    blocks += [] if chart.table is None else [chart.table]
    return Section(f"history-{at}", cell.cell, tuple(blocks), mark=mark, summary=kind)


def _runs(sources: Sequence[RunSource]) -> Section:
    """All runs, with the answer of each."""
    short = short_names([source.run.record.id for source in sources])
    columns = (
        text("run"),
        text("began, UTC"),
        text("guest"),
        text("trials"),
        text("state"),
        text("title"),
        text("answer"),
    )
    rows = tuple(
        (
            short[source.run.record.id],
            minute(source.run.record.started_utc),
            f"{source.run.record.guest} ({source.run.record.guest_kind})",
            tally_text(tally(source.run)),
            source.run.state,
            source.run.record.title,
            shortened(source.verdict.answer, 400),
        )
        for source in sources
    )
    return Section("runs", "The runs", (Table("Runs", columns, rows),) if rows else (Paragraph("There is no run."),))
