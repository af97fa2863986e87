"""Many small runs of the bookings database in one store, with figures that are given: for listings and histories."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from stored_runs import PLAN, event, run_record, summary, trial_record

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.results import Interval
from orchestrator.core.record.run import Environment, PlannedTrial
from orchestrator.engine.ports import TrialData

BEGAN = datetime(2026, 8, 1, 22, 0, tzinfo=UTC)
NOTHING = TrialData((), (), (), (), "")
CELL = "two-bookings-t2"


def keep_run(
    root: Path,
    day: int,
    per_s: Sequence[float],
    *,
    host: Mapping[str, str | None] | None = None,
    ended: bool = True,
    **changes: Any,
) -> str:
    """A run of one cell, with a trial a block of these operations per second; its id."""
    started = f"{BEGAN + timedelta(days=day):%Y-%m-%dT%H:%M:%S}.000Z"
    trials = tuple(
        PlannedTrial(id=f"{block:04d}-{CELL}-b{block}", number=block, block=block, shape="two", workload="bookings",
                     threads=2)
        for block in range(1, len(per_s) + 1)
    )  # fmt: skip
    plan = PLAN | {"design": {"blocks": len(per_s), "order": "random", "seed": 7}}
    record = run_record(**{"started_utc": started, "trials": trials, "plan": plan, "inputs_sha256": {}} | changes)
    writer = FolderStore(root).create(record, {"plan.yaml": b"", "lab.yaml": b""})
    facts = {"kernel": "6.1.0-31", "load": str(day), **(host or {})}
    writer.keep_environment(Environment(host=facts, guest={"kernel": "6.1.0-31"}))
    for planned, rate in zip(trials, per_s, strict=True):
        read = summary(2).model_copy(update={"throughput": Interval(mean=rate, low=rate * 0.99, high=rate * 1.01)})
        writer.keep_trial(trial_record(**planned.model_dump() | {"summary": read}), NOTHING)
        writer.append(event("trial-ended", planned.id))
    if ended:
        writer.append(event("run-ended"))
        writer.seal()
    return writer.id
