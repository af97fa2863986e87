"""Reports of the runs of a store: of one run, of runs set against each other, of cells through many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from orchestrator.core.design.declared import repeated
from orchestrator.errors import InputError, Problem, StoreError
from orchestrator.wiring.comparing import Terms, compared
from orchestrator.wiring.guarding import baseline_runs
from orchestrator.wiring.views import folder_store, of_run, run_view

if TYPE_CHECKING:
    from pandas import DataFrame

    from orchestrator.adapters.report.content.source import RunSource
    from orchestrator.adapters.report.document.parts import Document
    from orchestrator.adapters.store.folder import FolderStore
    from orchestrator.core.record.run import StoredRun
    from orchestrator.core.verdict.history.results import CellHistory
    from orchestrator.engine.courses import TrialCourse


#: Series of trials that have ended, which never change: by the trial's id and its end.
KnownCourses: TypeAlias = "dict[tuple[str, str], TrialCourse]"


@dataclass(frozen=True)
class Asked:
    """What a report is to be about.

    Attributes:
        kind: as of :class:`~orchestrator.adapters.report.document.parts.Document`.
        runs: ids of the runs that it is named after, each once.
        given: what finds them: of the first one perhaps the name of a baseline, of each other the path of its folder,
            since what ``last`` means may change while a report is made.
        store: the results folder.
        per: period of the rates.
    """

    kind: Literal["run", "comparison", "history"]
    runs: tuple[str, ...]
    given: tuple[str, ...]
    store: str
    per: str

    @property
    def name(self) -> str:
        """Of a file for it, without a suffix; a run's own report has another one than its comparison or history."""
        return {"run": "{}", "comparison": "{}-compared", "history": "{}-history"}[self.kind].format(self.runs[-1])


@dataclass(frozen=True)
class Reported:
    """A report, and the runs in it in the order of their start.

    Attributes:
        problems: what was found damaged in any of them.
    """

    document: Document
    runs: tuple[StoredRun, ...]
    problems: tuple[str, ...] = field(default=())


def asked(runs: Sequence[str], store: str, per: str) -> Asked:
    """Find out what a report of these runs is: of one run itself; a comparison of two; of more, their history.

    Where the first is the name of a baseline, each of the others is set against it.

    Raises:
        StoreError: there is no such run.
        InputError: a run is named twice, or a baseline stands alone.
    """
    first, *others = runs
    folder = folder_store(store)
    against = baseline_runs(store, first) is not None
    if against and not others:
        message = f"{first!r} is a baseline; name the run that is set against it: trialbed report {first} last"
        raise InputError([Problem("the report", "", message)])
    found = [folder.find(run) for run in (others if against else runs)]
    ids = tuple(run.record.id for run in found)
    if twice := repeated(ids):
        raise InputError([Problem("the report", "", f"run {twice[0]} is named twice; name each run once")])
    given = (*([first] if against else []), *(str(Path(run.location).resolve()) for run in found))
    if against or len(runs) == 2:
        return Asked("comparison", ids, given, store, per)
    return Asked("run" if len(runs) == 1 else "history", ids, given, store, per)


def report_of(what: Asked) -> Reported:
    """Read the runs with all their series, and say what is to be said of them.

    A trial whose series are damaged is reported without them, and named in the problems.

    Raises:
        StoreError: a run cannot be read, or none of several has a trial that counts.
        InputError: runs cannot be set against each other.
    """
    return {"run": _of_run, "comparison": _of_comparison, "history": _of_history}[what.kind](what)


def table_of(what: Asked) -> tuple[DataFrame, tuple[str, ...]]:
    """The figures of a report as one flat table, and what was found damaged: a row a trial, a cell, or a cell and run.

    Raises:
        StoreError, InputError: as :func:`report_of`.
    """
    from orchestrator.adapters.report.compare_csv import comparisons_table
    from orchestrator.adapters.report.history_json import histories_table
    from orchestrator.adapters.report.tables import trials_table

    if what.kind == "run":
        folder = folder_store(what.store)
        return trials_table(folder.find(what.given[0])), tuple(folder.problems())
    if what.kind == "comparison":
        view = compared(what.given[0], what.given[1:], what.store, Terms(what.per))
        return comparisons_table(view.found), view.problems
    sources = [run_source(run, what.store, what.per, series=False) for run in what.given]
    return histories_table(_histories(sources, what)), _problems(sources)


def run_source(run: str, store: str, per: str, *, series: bool = True, known: KnownCourses | None = None) -> RunSource:
    """A run of the store with all that a report tells of it.

    Args:
        run: an id, the beginning of one, ``last``, or the path of a run's folder.
        store: the results folder.
        per: period of the rates.
        series: whether to read the trials' series as well, which takes about 30 ms a trial.
        known: series of its trials that were read before; those that are read now are added.

    Raises:
        StoreError: there is no such run, or it cannot be read at all.
    """
    from orchestrator.adapters.report.content.source import RunSource
    from orchestrator.adapters.store.layout import RunFolder

    folder = folder_store(store)
    view = run_view(run, store, per)
    problems = [*view.problems]
    try:
        inputs = dict(folder.inputs(view.run))
    except StoreError as error:
        inputs = {}
        problems.append(RunFolder(Path(view.run.location)).within(str(error)))
    courses = _courses(folder, view.run, problems, {} if known is None else known) if series else {}
    return RunSource(view.run, view.verdict, view.environment, tuple(problems), view.time, inputs, courses)


def _courses(folder: FolderStore, run: StoredRun, problems: list[str], known: KnownCourses) -> dict[str, TrialCourse]:
    """The series of each trial that has any; what cannot be read is added to the problems."""
    from orchestrator.engine.courses import trial_course

    found: dict[str, TrialCourse] = {}
    for trial in run.trials:
        name = (trial.id, trial.ended_utc)
        if name not in known:
            data = folder.load_trial(run, trial.id)
            problems += folder.problems()
            if not data.throughput and not data.vcpu:
                continue
            known[name] = trial_course(run, trial, data)
        found[trial.id] = known[name]
    return found


def _of_run(what: Asked) -> Reported:
    from orchestrator.adapters.report.content.run import run_document

    source = run_source(what.given[0], what.store, what.per)
    return Reported(run_document(source, what.per), (source.run,), tuple(source.problems))


def _of_comparison(what: Asked) -> Reported:
    from orchestrator.adapters.report.content.comparison import comparison_document

    base, *new = what.given
    view = compared(base, new, what.store, Terms(what.per))
    bases = baseline_runs(what.store, base)
    sources = [run_source(run, what.store, what.per) for run in (*(bases or (base,)), *new)]
    by_id = {source.run.record.id: source for source in sources}
    document = comparison_document(view.found, view.base_called, by_id, what.per)
    return Reported(document, tuple(source.run for source in sources), _problems(sources, view.problems))


def _of_history(what: Asked) -> Reported:
    from orchestrator.adapters.report.content.history import history_document

    sources = _by_age([run_source(run, what.store, what.per, series=False) for run in what.given])
    problems = _problems(sources)
    document = history_document(_histories(sources, what), sources, problems, what.per)
    return Reported(document, tuple(source.run for source in sources), problems)


def _histories(sources: Sequence[RunSource], what: Asked) -> tuple[CellHistory, ...]:
    """All cells of these runs, through these runs alone."""
    from orchestrator.core.record.run_line import run_line
    from orchestrator.core.verdict.history.histories import histories
    from orchestrator.engine.listing import short_names

    lines = [run_line(source.run, source.environment) for source in _by_age(sources)]
    found = histories(lines, lambda _: True, short=short_names(what.runs), per=what.per)
    if not found:
        raise StoreError(f"none of these {len(lines)} runs has a trial that counts, so there is nothing to follow")
    return found


def _by_age(sources: Sequence[RunSource]) -> list[RunSource]:
    from orchestrator.adapters.store.finding import age

    return sorted(sources, key=lambda source: age(source.run.record, Path(source.run.location)))


def _problems(sources: Sequence[RunSource], more: Sequence[str] = ()) -> tuple[str, ...]:
    """What is damaged in any of the runs, each once."""
    found = [problem for source in sources for problem in of_run(source.run, source.problems)]
    return tuple(dict.fromkeys([*more, *found]))
