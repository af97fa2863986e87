"""What a comparison with a baseline comes to: nothing worse, something slower, or neither shown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.cell_identity import cell_identities
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.verdict.between_runs.matching import match
from orchestrator.core.verdict.between_runs.results import RunsCompared, Unmatched
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.templates import TemplateFinding, templates_answer
from orchestrator.core.verdict.words import capital, count, so_many_of, some_of
from orchestrator.units import format_percent

#: ``kept``: every cell of the base is shown to be no worse than the margin, and every template as it should be.
#: ``worse``: a cell is shown to be slower, or a template not as it should be. ``undecided``: neither.
Outcome = Literal["kept", "worse", "undecided"]


class Guarded(Record):
    """The guard's verdict.

    Attributes:
        outcome: see :data:`Outcome`.
        answer: it in a few sentences.
        slower: ids of cells that are slower, and not shown to have lost less than the margin.
        undecided: ids of cells of which neither is shown.
        missing: ids of the base's cells that the new run lacks.
        templates_broken: ids of cells of templates that have lost their rank, or have another share than expected.
        templates_undecided: ids of cells of the other templates that are not shown to be as they should.
    """

    outcome: Outcome
    answer: str
    slower: tuple[str, ...]
    undecided: tuple[str, ...]
    missing: tuple[str, ...]
    templates_broken: tuple[str, ...] = ()
    templates_undecided: tuple[str, ...] = ()


def guarded(compared: RunsCompared, templates: Sequence[TemplateFinding] = ()) -> Guarded:
    """Judge a comparison with a baseline, and the templates of the new run.

    What is slower within the margin, and shown to be, is kept: too small a loss to matter is none. Cells and templates
    are two families: all answers on cells together are wrong with a chance of at most ``1 - confidence``, and so are
    all on templates.
    """
    cells = sorted(compared.changes, key=lambda cell: (cell.workload, cell.threads, cell.vcpus, cell.memory or 0))
    slower = [cell.cell for cell in cells if cell.verdict == "slower" and not cell.not_worse]
    undecided = [cell.cell for cell in cells if cell.verdict != "slower" and not cell.not_worse]
    missing = sorted(alone.cell for alone in compared.unmatched if alone.side == "base")
    broken = [found.cell for found in templates if found.broken]
    unsure = [found.cell for found in templates if found.open and not found.broken]
    outcome: Outcome = "kept"
    if undecided or missing or unsure or not cells:
        outcome = "undecided"
    if slower or broken:
        outcome = "worse"
    called = {found.cell: f"{found.template} ({found.cell})" for found in templates}
    named = [[called.get(cell, cell) for cell in group] for group in (slower, undecided, missing)]
    sentences = [*_of_cells(len(cells), format_percent(compared.margin), *named)]
    if templates:
        sentences.append(templates_answer(templates))
    return Guarded(
        outcome=outcome,
        answer=" ".join(sentences),
        slower=tuple(slower),
        undecided=tuple(undecided),
        missing=tuple(missing),
        templates_broken=tuple(broken),
        templates_undecided=tuple(unsure),
    )


def foreseen(
    bases: Sequence[Side], planned: RunRecord, *, accept_changed_files: bool = False
) -> tuple[tuple[str, ...], tuple[Unmatched, ...]]:
    """What a run will be compared in, if all its trials go well: known before it is measured.

    Returns:
        The ids of the cells that will be compared, and the base's cells that will not, each with why.
    """
    sizes = {cell.shape: (cell.vcpus, cell.memory) for cell in cell_identities(planned)}
    seen = tuple(
        Observation(trial.shape, *sizes[trial.shape], trial.workload, trial.threads, trial.block, 1.0)
        for trial in planned.trials
    )
    new = Side(StoredRun(planned, (), "planned", ""), Evidence(seen))
    matches, left = match(bases, new, accept_changed_files=accept_changed_files)
    return tuple(found.new.id for found in matches), tuple(alone for alone in left if alone.side == "base")


def _of_cells(
    cells: int, margin: str, slower: Sequence[str], undecided: Sequence[str], missing: Sequence[str]
) -> Iterator[str]:
    kept = cells - len(slower) - len(undecided)
    if slower:
        yield f"Slower: {some_of(slower)}."
    if undecided:
        yield f"Open whether more was lost than the margin of {margin}: {some_of(undecided)}."
    if missing:
        yield f"In the base and not compared: {some_of(missing)}."
    if not cells:
        yield "No cell could be compared."
    elif kept == cells:
        which = f"{capital(so_many_of(cells, cells, 'cell'))}{' compared' if missing else ''}"
        yield f"{which} lost no more than the margin of {margin}, as shown."
    elif kept:
        yield f"{capital(count(kept, 'other cell'))} lost no more than the margin of {margin}, as shown."
