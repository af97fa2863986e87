"""Whole runs in a store with rates that a test chooses, written in no time: what a comparison of runs is made of."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from pathlib import Path
from typing import Any

import stored_runs

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.results import Interval
from orchestrator.core.record.run import Environment, PlannedTrial
from orchestrator.engine.ports import TrialData


def measured_run(
    root: Path,
    started_utc: str,
    rates: Mapping[tuple[str, int], float],
    *,
    blocks: int = 4,
    environment: Environment | None = None,
    **record: Any,
) -> str:
    """A run in a store that ended, of cells that scatter by half a percent about their rates; returns its id."""
    plan = {**stored_runs.PLAN, "design": {**stored_runs.PLAN["design"], "blocks": blocks}}
    planned = [
        PlannedTrial(
            id=f"{number:04}-{shape}-bookings-t{threads}-b{block}",
            number=number,
            block=block,
            shape=shape,
            workload="bookings",
            threads=threads,
        )
        for number, (block, (shape, threads)) in enumerate(product(range(1, blocks + 1), rates), start=1)
    ]
    facts = {"started_utc": started_utc, "plan": plan, "trials": tuple(planned)} | record
    writer = FolderStore(root).create(stored_runs.run_record(**facts), stored_runs.INPUTS)
    writer.append(stored_runs.event("run-started"))
    if environment is not None:
        writer.keep_environment(environment)
    for place, trial in enumerate(planned):
        rate = rates[trial.shape, trial.threads] * (1 + 0.005 * (place * 7 % 5 - 2) / 2)
        mean = Interval(mean=rate, low=rate * 0.99, high=rate * 1.01, effective_samples=40)
        summary = stored_runs.summary(trial.threads).model_copy(
            update={"throughput": mean, "cpu_seconds_per_operation": 0.9 / rate}
        )
        kept = stored_runs.trial_record(stored_runs.FIRST, **trial.model_dump(), summary=summary)
        writer.append(stored_runs.event("trial-started", trial.id))
        writer.keep_trial(kept, TrialData((), (), (), (), ""))
        writer.append(stored_runs.event("trial-ended", trial.id))
    writer.append(stored_runs.event("restored"))
    writer.append(stored_runs.event("run-ended"))
    writer.seal()
    return writer.id
