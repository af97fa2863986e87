"""Runs of the store set against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.errors import InputError, Problem, StoreError
from orchestrator.wiring.views import ReadOnce

if TYPE_CHECKING:
    from orchestrator.core.verdict.between_runs.results import RunsCompared


@dataclass(frozen=True)
class ComparedView:
    """Each new run against the base.

    Attributes:
        found: one comparison for each new run, as they were given.
        base_called: ``baseline before-upgrade`` where the base was named so; else empty.
        problems: what the store found damaged in any of the runs.
    """

    found: tuple[RunsCompared, ...]
    base_called: str
    problems: tuple[str, ...]


@dataclass(frozen=True)
class Terms:
    """How runs are compared.

    Attributes:
        per: period of the rates.
        margin: the smallest relative difference that matters; that of the base's plan when not given.
        confidence: of all cells of a comparison together; likewise.
        accept_changed_files: also compare cells whose workload's files are not the same.
    """

    per: str
    margin: float | None = None
    confidence: float | None = None
    accept_changed_files: bool = False


def compared(base: str, new: Sequence[str], store: str, terms: Terms) -> ComparedView:
    """Set runs against a base.

    Args:
        base: a run as :meth:`~orchestrator.adapters.store.folder.FolderStore.find` takes it, or the name of a baseline.
        new: runs, likewise.
        store: the results folder.
        terms: how they are compared.

    Raises:
        StoreError: there is no such run, or it cannot be read.
        InputError: a run is to be compared with itself, or is named twice.
    """
    from orchestrator.core.design.declared import repeated
    from orchestrator.engine.compare import compare_stored
    from orchestrator.wiring.guarding import baseline_runs

    kept = ReadOnce(store)
    named = baseline_runs(store, base)
    runs = (base,) if named is None else named
    if named is None:
        _refuse_unknown(base, store)
    ids = [kept.find(run).record.id for run in new]
    if twice := repeated(ids):
        raise InputError([Problem("the comparison", "", f"run {twice[0]} is named twice; name each run once")])
    found = tuple(compare_stored(kept, runs, run, **asdict(terms)) for run in new)
    return ComparedView(found, "" if named is None else f"baseline {base}", kept.problems())


def _refuse_unknown(base: str, store: str) -> None:
    """What is neither a run nor a baseline may be a slip in either."""
    from orchestrator.adapters.store import finding
    from orchestrator.wiring.guarding import baselines_of

    try:
        finding.resolve(Path(store), base)
    except StoreError as error:
        if not base[:1].isalpha() or "/" in base:
            raise
        names = baselines_of(store).names()
        also = f"baselines are {', '.join(names)}" if names else "there is no baseline either"
        raise StoreError(f"{error}; {also}") from None
