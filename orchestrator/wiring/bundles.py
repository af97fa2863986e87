"""A bundle of somebody else: looked at, and taken into the store."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from orchestrator.adapters.bundle import reading
from orchestrator.adapters.bundle.members import quoted
from orchestrator.adapters.bundle.reading import Bundle
from orchestrator.adapters.interrupts import heed
from orchestrator.adapters.store.adopting import adopt
from orchestrator.core.record.journal import EARLY_ENDS
from orchestrator.core.record.run import PlannedTrial, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.errors import InputError, Problem
from orchestrator.wiring.views import RunView, folder_store, run_view


@dataclass(frozen=True)
class Unpacked:
    """What became of a bundle.

    Attributes:
        run: as it lies in the store now.
        bundle: what it came in; its temporary folder is gone.
        copied: whether it was not there before.
    """

    run: StoredRun
    bundle: Bundle
    copied: bool


@contextmanager
def opened(path: Path) -> Iterator[Bundle]:
    """A bundle checked whole, its run too, in a temporary folder for as long as the context lasts.

    Raises:
        InputError: it is no bundle, damaged, or would do harm: one problem, in one line.
    """
    heed()
    with reading.opened(path) as bundle:
        if wrong := wrong_with(bundle):
            raise InputError([Problem(str(path), "", f"{wrong}; nothing was taken from it")])
        yield bundle


def wrong_with(bundle: Bundle) -> str:
    """What is wrong with the run of a bundle, in one line; empty where nothing is."""
    verified = folder_store(str(bundle.run_folder.parent)).verify(bundle.run)
    if verified.findings:
        return " ".join(f"holds a run that is damaged: {verified.findings[0].sentence}".split())
    if verified.state not in {"done", *EARLY_ENDS}:
        return f"holds a run that has no end ({verified.state}), which nobody packs"
    if unplanned := _unplanned(folder_store(".").find(str(bundle.run_folder))):
        return f"holds trial {quoted(unplanned)}, which is not as its run planned it"
    try:
        run_view(str(bundle.run_folder), ".", "second")
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, RecursionError) as error:
        # A stored plan is trusted wherever it is read, since the store has it from us; this one is somebody else's.
        return f"holds a run that cannot be judged, since its plan or its figures are none ({quoted(str(error))})"
    return ""


def _unplanned(run: StoredRun) -> str | None:
    """The first trial that is of another cell or block than the plan has it."""
    planned = {trial.id: _place(trial) for trial in run.record.trials}
    return next((trial.id for trial in run.trials if planned.get(trial.id) != _place(trial)), None)


def _place(trial: PlannedTrial | TrialRecord) -> tuple[int, int, str, str, int]:
    return (trial.number, trial.block, trial.shape, trial.workload, trial.threads)


def built_in_files() -> frozenset[str]:
    """SHA-256 digests of files that everybody has: those of the built-in workloads."""
    from orchestrator.adapters.workload_files import built_in

    return frozenset({hashlib.sha256(built_in("bookings.py")).hexdigest()})


def look(path: Path, per: str) -> tuple[Bundle, RunView]:
    """A bundle and its run with the verdict that this version reaches; the run's place is the bundle's.

    Raises:
        InputError: as :func:`opened`.
    """
    with opened(path) as bundle:
        view = run_view(str(bundle.run_folder), ".", per)
        return bundle, replace(view, run=replace(view.run, location=str(path)))


def unpack(path: Path, store: str) -> Unpacked:
    """Take the run of a bundle into the store.

    Raises:
        InputError: as :func:`opened`.
        StoreError: another run of its name is there, or the system refuses.
    """
    with opened(path) as bundle:
        copied = adopt(Path(store), bundle.run_folder)
        return Unpacked(folder_store(store).find(bundle.run), bundle, copied)
