"""A run in a nutshell: what a listing tells of it, and what its history needs, without its trials."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.cell_identity import CellIdentity, cell_identities
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord


class Tally(Record):
    """How the trials of a run came out. ``planned`` leaves out those that a decision made needless."""

    planned: int
    measured: int
    unsteady: int
    failed: int

    @property
    def ended(self) -> int:
        """Trials that have a record."""
        return self.measured + self.unsteady + self.failed


class CellLine(Record):
    """A cell of a run: what it is, and of each block's trial the natural log of its operations per second."""

    identity: CellIdentity
    logs: tuple[tuple[int, float], ...]


class RunLine(Record):
    """One run.

    Attributes:
        state, standing: see :class:`~orchestrator.core.record.run.StoredRun`; the latter has what decided.
        margin, confidence: of the plan's rule; ``None`` where it has none that can be read.
        method: parts of the plan, other than its cells, that could change what is measured, each in one spelling.
        environment: without the reasons of what is unavailable; ``None`` where the run did not get so far, or it cannot
            be read.
        cells: those with a plan that can be read; empty logs where no trial of theirs was steady.
    """

    id: str
    started_utc: str
    title: str
    guest: str
    guest_kind: str
    hypervisor: str
    origin: Literal["measured", "imported"]
    tally: Tally
    state: str
    standing: str
    location: str
    margin: float | None
    confidence: float | None
    versions: dict[str, str]
    method: dict[str, str]
    environment: Environment | None
    cells: tuple[CellLine, ...]


def tally(run: StoredRun) -> Tally:
    """Count a run's trials by outcome."""
    return Tally(
        planned=len(run.needed),
        measured=_count(run.trials, "measured"),
        unsteady=_count(run.trials, "unsteady"),
        failed=_count(run.trials, "failed"),
    )


def run_line(run: StoredRun, environment: Environment | None = None) -> RunLine:
    """The nutshell of a run that was read."""
    record = run.record
    margin, confidence = _rule(record)
    return RunLine(
        id=record.id,
        started_utc=record.started_utc,
        title=record.title,
        guest=record.guest,
        guest_kind=record.guest_kind,
        hypervisor=record.hypervisor,
        origin=record.origin,
        tally=tally(run),
        state=run.state,
        standing=run.standing,
        location=run.location,
        margin=margin,
        confidence=confidence,
        versions=record.versions,
        method=_method(record),
        environment=None if environment is None else environment.model_copy(update={"unavailable": {}}),
        cells=_cells(record, run.trials),
    )


def _count(trials: Iterable[TrialRecord], outcome: str) -> int:
    return sum(trial.outcome == outcome for trial in trials)


def _cells(record: RunRecord, trials: Iterable[TrialRecord]) -> tuple[CellLine, ...]:
    try:
        identities = cell_identities(record)
    except (KeyError, TypeError, ValueError):  # a record by another hand: it is listed, and has no history
        return ()
    logs: dict[tuple[str, int, str], list[tuple[int, float]]] = {}
    for trial in trials:
        summary = trial.summary
        if trial.outcome != "measured" or summary is None or summary.throughput is None:
            continue
        if summary.throughput.mean > 0:
            key = (trial.workload, trial.threads, trial.shape)
            logs.setdefault(key, []).append((trial.block, math.log(summary.throughput.mean)))
    return tuple(CellLine(identity=each, logs=tuple(logs.get(each.key, ()))) for each in identities)


def _rule(record: RunRecord) -> tuple[float | None, float | None]:
    try:
        return record.declared.margin, record.declared.confidence
    except (KeyError, TypeError, ValueError):
        return None, None


#: Parts of a plan that tell how was measured, and what ran beside the guest.
_METHOD = {"measure": "rules of measuring", "neighbours": "declared neighbours"}


def _method(record: RunRecord) -> dict[str, str]:
    return {meaning: repr(record.plan[key]) for key, meaning in _METHOD.items() if record.plan.get(key)}
