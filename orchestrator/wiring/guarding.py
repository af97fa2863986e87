"""Baselines of a store, and new runs held against them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.errors import InputError, Problem, StoreError
from orchestrator.units import utc_text
from orchestrator.wiring.views import ReadOnce, beside, folder_store, run_view

if TYPE_CHECKING:
    from orchestrator.adapters.plan_file import Loaded
    from orchestrator.adapters.store.baselines import Baselines
    from orchestrator.core.record.baseline import Baseline
    from orchestrator.core.record.run import StoredRun
    from orchestrator.core.verdict.between_runs.guarded import Guarded
    from orchestrator.core.verdict.between_runs.results import RunsCompared
    from orchestrator.wiring.views import RunView

#: Cells that a message names.
_SHOWN = 4


@dataclass(frozen=True)
class BaselineView:
    """A baseline, and what has become of its runs.

    Attributes:
        runs: those that can be read.
        changes: what is not as it was when it was set, in sentences.
    """

    baseline: Baseline
    runs: tuple[StoredRun, ...]
    changes: tuple[str, ...]


@dataclass(frozen=True)
class GuardView:
    """A run held against a baseline.

    Attributes:
        problems: what the store found damaged in any of the runs.
    """

    view: RunView
    baseline: str
    compared: RunsCompared
    guarded: Guarded
    problems: tuple[str, ...]


def baselines_of(store: str) -> Baselines:
    """The baselines of the store in a folder."""
    from orchestrator.adapters.store.baselines import Baselines

    return Baselines(Path(store))


def baseline_runs(store: str, name: str) -> tuple[str, ...] | None:
    """The runs of a baseline; ``None`` where nothing is named so.

    Raises:
        StoreError: a run of it is gone, or was changed since.
    """
    found = baselines_of(store).find(name)
    return None if found is None else _unchanged(store, found).ids


def set_baseline(store: str, name: str, runs: Sequence[str], note: str, *, replace: bool) -> BaselineView:
    """Name runs of the store.

    Raises:
        StoreError: a run cannot be part of a baseline, or the name cannot be used.
        InputError: a run is named twice.
    """
    from orchestrator.core.design.declared import repeated
    from orchestrator.core.record.baseline import Baseline

    kept, named = folder_store(store), baselines_of(store)
    found = [kept.find(run) for run in runs]
    if twice := repeated(run.record.id for run in found):
        raise InputError([Problem("baseline set", "", f"run {twice[0]} is named twice; name each run once")])
    members = tuple(named.member(run) for run in found)
    baseline = Baseline(name=name, runs=members, set_utc=utc_text(SystemClock().now()), note=note)
    named.set(baseline, replace=replace)
    return BaselineView(baseline, tuple(found), ())


def baseline_view(store: str, name: str) -> BaselineView:
    """A baseline with its runs. Raises StoreError where there is none."""
    kept, named = folder_store(store), baselines_of(store)
    baseline, runs = named.get(name), []
    changes = named.changes(baseline)
    for run in baseline.ids:
        try:
            runs.append(kept.find(beside(Path(store), run)))
        except StoreError as error:
            if not any(run in change for change in changes):
                changes.append(str(error))
    return BaselineView(baseline, tuple(runs), tuple(changes))


def baseline_views(store: str) -> tuple[list[BaselineView], list[str]]:
    """Every baseline by name, without its runs, and what could not be read."""
    named = baselines_of(store)
    views, problems = [], []
    for name in named.names():
        try:
            baseline = named.get(name)
            views.append(BaselineView(baseline, (), tuple(named.changes(baseline))))
        except StoreError as error:
            problems.append(str(error))
    return views, problems


def guard_base(store: str, name: str) -> Baseline:
    """A baseline that a run can be held against.

    Raises:
        StoreError: there is none, or one of its runs is gone or was changed since.
    """
    return _unchanged(store, baselines_of(store).get(name))


def not_compared(
    loaded: Loaded, baseline: Baseline, store: str, *, accept_changed_files: bool = False
) -> tuple[str, ...]:
    """Cells of a baseline that a run of this plan will not be compared in, each with why: known before it is run.

    Raises:
        InputError: there is none that it will be compared in.
    """
    from orchestrator.adapters.workload_files import collect
    from orchestrator.core.verdict.between_runs.guarded import foreseen
    from orchestrator.core.verdict.between_runs.side import Side
    from orchestrator.engine.judge import evidence_of
    from orchestrator.wiring.beginning import inputs_of, record_of

    kept = folder_store(store)
    inputs = inputs_of(loaded, collect(loaded.plan, loaded.plan_path.parent))
    bases = [Side(run, evidence_of(run)) for run in map(kept.find, baseline.ids)]
    cells, left = foreseen(bases, record_of(loaded, inputs, "", ""), accept_changed_files=accept_changed_files)
    told = tuple(f"{alone.cell}: {alone.why}" for alone in left)
    if not cells:
        message = (
            f"a run of it could not be compared with baseline {baseline.name} in any cell ({_few(told)}); guard "
            "with the plan of its runs, or set a baseline of this one"
        )
        raise InputError([Problem(str(loaded.plan_path), "", message)])
    return told


def guard_run(run: str, baseline: Baseline, store: str, per: str, *, accept_changed_files: bool = False) -> GuardView:
    """Hold a run that has ended against a baseline, by the margin and the confidence of its own plan.

    Raises:
        InputError: the run is one of the baseline's own.
        StoreError: the run cannot be read.
    """
    from orchestrator.core.verdict.between_runs.guarded import guarded
    from orchestrator.engine.compare import compare_stored

    view, kept = run_view(run, store, per), ReadOnce(store)
    if view.run.record.id in baseline.ids:
        message = f"is a run of baseline {baseline.name} itself; guard holds a newer one against it"
        raise InputError([Problem(f"run {view.run.record.id}", "", message)])
    its_folder = beside(Path(view.run.location).parent, Path(view.run.location).name)  # "last" may be another by now
    compared = compare_stored(
        kept,
        baseline.ids,
        its_folder,
        margin=view.verdict.margin,
        confidence=view.verdict.confidence,
        per=per,
        accept_changed_files=accept_changed_files,
    )
    return GuardView(view, baseline.name, compared, guarded(compared, view.verdict.templates), kept.problems())


def _few(sentences: Sequence[str]) -> str:
    rest = len(sentences) - _SHOWN
    return "; ".join(sentences) if rest <= 1 else f"{'; '.join(sentences[:_SHOWN])}; and {rest} more"


def _unchanged(store: str, baseline: Baseline) -> Baseline:
    if changes := baselines_of(store).changes(baseline):
        again = f"trialbed baseline set {baseline.name} RUN... --replace"
        raise StoreError(f"baseline {baseline.name} is not what it was: {'; '.join(changes)}; or set it anew: {again}")
    return baseline
