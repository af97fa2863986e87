"""What reports are made from, read from a store as the command reads it, and a document as the texts that it shows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import stored_runs

from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.parts import (
    Beside,
    Block,
    Chart,
    Checks,
    Document,
    Facts,
    Number,
    Paragraph,
    Section,
    Sentences,
    Table,
    Verbatim,
)
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.record.run import PlannedTrial
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.minutes import spent_time
from orchestrator.core.verdict.rule import rule_of
from orchestrator.engine.courses import trial_course
from orchestrator.engine.judge import verdict_of
from orchestrator.engine.ports import TrialData


def source_of(store: FolderStore, run: str = "last", per: str = "second") -> RunSource:
    """A run with its verdict, its environment, its inputs and the series of each trial that has any."""
    stored = store.find(run)
    problems = store.problems()
    data = {trial.id: store.load_trial(stored, trial.id) for trial in stored.trials}
    return RunSource(
        run=stored,
        verdict=verdict_of(stored, per=per),
        environment=store.environment(stored),
        problems=problems,
        time=spent_time(stored.trials, rule_of(stored.record, per)),
        inputs=store.inputs(stored),
        courses={
            trial.id: trial_course(stored, trial, data[trial.id])
            for trial in stored.trials
            if data[trial.id].throughput
        },
    )


def kept(root: Path, *trials: TrialRecord, **record: Any) -> FolderStore:
    """A store with a run that these trials were planned for, which have no series."""
    store = FolderStore(root)
    names = PlannedTrial.model_fields
    planned = tuple(PlannedTrial(**{name: getattr(trial, name) for name in names}) for trial in trials)
    facts = ({"trials": planned} if planned else {}) | record
    writer = store.create(stored_runs.run_record(**facts), stored_runs.INPUTS)
    writer.append(stored_runs.event("run-started"))
    for trial in trials:
        writer.append(stored_runs.event("trial-started", trial.id))
        writer.keep_trial(trial, TrialData((), (), (), (), ""))
        writer.append(stored_runs.event("trial-ended", trial.id))
    writer.append(stored_runs.event("run-ended"))
    writer.seal()
    return store


def of_run(source: RunSource, **changes: Any) -> RunSource:
    """The same with other attributes of the run as it is read back."""
    return replace(source, run=replace(source.run, **changes))


def sections(document: Document) -> Iterator[Section]:
    """All sections, each before those below it."""

    def walk(section: Section) -> Iterator[Section]:
        yield section
        for part in section.parts:
            yield from walk(part)

    for section in document.sections:
        yield from walk(section)


def section(document: Document, name: str) -> Section:
    """The section with this id."""
    return next(found for found in sections(document) if found.id == name)


def table(found: Section, caption: str) -> Table:
    """The table of a section whose caption begins so."""
    return next(block for block in found.blocks if isinstance(block, Table) and block.caption.startswith(caption))


def column(found: Table, name: str) -> list[Any]:
    """The raw values of a column; words where it holds words."""
    place = next(place for place, one in enumerate(found.columns) if one.name == name)
    return [cell.value if isinstance(cell, Number) else cell for cell in (row[place] for row in found.rows)]


def sentences(found: Section) -> list[str]:
    """What a section says in sentences, without what is below it."""
    told: list[str] = []
    for block in found.blocks:
        if isinstance(block, Paragraph):
            told.append(block.text)
        elif isinstance(block, Sentences):
            told += block.items
    return told


def texts(document: Document) -> Iterator[str]:
    """Every text of a document that is shown, wherever it stands."""
    yield from (document.title, document.about, document.answer, document.certainty, *document.warnings)
    for found in sections(document):
        yield from (found.id, found.title, found.summary)
        for block in found.blocks:
            yield from _of_block(block)


def _of_block(block: Block) -> Iterator[str]:
    match block:
        case Paragraph(text=text):
            yield text
        case Sentences(items=items):
            yield from items
        case Facts(pairs=pairs):
            yield from (text for pair in pairs for text in pair)
        case Checks(items=items):
            yield from (text for name, _, detail in items for text in (name, detail))
        case Verbatim(title=title, text=text):
            yield from (title, text)
        case Table():
            yield from (block.caption, block.note, *(f"{one.name} {one.unit}" for one in block.columns))
            yield from (cell.text if isinstance(cell, Number) else cell for row in block.rows for cell in row)
        case Chart():
            yield from (block.id, block.title, block.alternative)
        case Beside(charts=charts):
            for chart in charts:
                yield from _of_block(chart)
