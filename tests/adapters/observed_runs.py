"""Large runs in a store whose trials have every series, written in a moment: what long reports are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import stored_runs

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.results import Interval, TrialSummary, VcpuShare, Window
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.run import Environment, PlannedTrial
from orchestrator.engine.ports import TrialData

#: vCPUs of each shape by its name.
SHAPES = {"one": 1, "two": 2, "three": 3, "four": 4, "eight": 8}
LAUNCHED_S, WARM_S, TICKS_PER_S, HOST_CPUS = 1000.0, 60, 100, 8
STARTED, ENDED = "2026-08-01T22:00:00.000Z", "2026-08-02T06:00:00.000Z"
ENVIRONMENT = Environment(host={"cpu_model": "A CPU", "kernel": "6.1.0-31"}, guest={"kernel": "6.1.0-31"})


@dataclass(frozen=True)
class Extent:
    """How large a run is: cells of every shape and thread count, times blocks, each trial of so many seconds."""

    shapes: Sequence[str] = tuple(SHAPES)
    threads: Sequence[int] = (1, 4)
    blocks: int = 10
    seconds: int = 600

    def trials(self) -> tuple[PlannedTrial, ...]:
        """Block by block."""
        cells = product(range(1, self.blocks + 1), self.shapes, self.threads)
        return tuple(
            PlannedTrial(id=f"{number:04}-{shape}-bookings-t{threads}-b{block}", number=number, block=block,
                         shape=shape, workload="bookings", threads=threads)
            for number, (block, shape, threads) in enumerate(cells, start=1)
        )  # fmt: skip


def rate_of(trial: PlannedTrial) -> float:
    """Operations a second: a little less for each vCPU without a thread, and for each thread without a vCPU."""
    vcpus = SHAPES[trial.shape]
    served = min(vcpus, trial.threads)
    return 1200.0 * served * (1 - 0.03 * (vcpus - served)) * (1 + 0.004 * (trial.block * 7 % 5 - 2))


def plan(extent: Extent) -> dict[str, Any]:
    """What was asked for."""
    return stored_runs.PLAN | {
        "shapes": [{"name": name, "vcpus": SHAPES[name], "memory": 2**30} for name in extent.shapes],
        "workloads": [{"name": "bookings", "use": "bookings", "threads": list(extent.threads), "reader": None}],
        "design": {"blocks": extent.blocks, "order": "random", "seed": 7},
    }


def observed_run(root: Path, extent: Extent, *, log: str = "a line\n", **record: Any) -> str:
    """A run that ended, with a series of each kind for every trial; returns its id."""
    trials = extent.trials()
    environment = record.pop("environment", ENVIRONMENT)
    facts = {"started_utc": STARTED, "plan": plan(extent), "trials": trials, "inputs_sha256": {}} | record
    writer = FolderStore(root).create(
        stored_runs.run_record(**facts), {"plan.yaml": b"title: ferry\n", "lab.yaml": b""}
    )
    writer.append(stored_runs.event("run-started"))
    writer.keep_environment(environment)
    draws = np.random.default_rng(7)
    for trial in trials:
        writer.append(stored_runs.event("trial-started", trial.id))
        mean = rate_of(trial)
        kept = stored_runs.trial_record(
            stored_runs.FIRST,
            **trial.model_dump(),
            started_utc=STARTED,
            ended_utc=ENDED,
            launched_monotonic_s=LAUNCHED_S,
            summary=_summary(trial, mean, extent.seconds),
        )
        writer.keep_trial(kept, _series(trial, mean, extent.seconds, draws, log))
        writer.append(stored_runs.event("trial-ended", trial.id))
    writer.append(stored_runs.event("restored"))
    writer.append(stored_runs.event("run-ended"))
    writer.seal()
    return writer.id


def _shares(trial: PlannedTrial) -> tuple[float, float]:
    """Run and wait of each vCPU."""
    busy = min(trial.threads / SHAPES[trial.shape], 1.0)
    return 0.8 * busy, 0.18 * busy


def _summary(trial: PlannedTrial, mean: float, seconds: int) -> TrialSummary:
    run, wait = _shares(trial)
    return stored_runs.summary().model_copy(
        update={
            "window": Window(start_s=float(WARM_S), end_s=float(seconds)),
            "throughput": Interval(mean=mean, low=mean * 0.995, high=mean * 1.005, effective_samples=200.0),
            "vcpus": tuple(
                VcpuShare(vcpu=n, run=run, wait=wait, idle=1 - run - wait, uncertainty=0.001)
                for n in range(SHAPES[trial.shape])
            ),
            "cpu_seconds_per_operation": run * SHAPES[trial.shape] / mean,
        }
    )


def _series(trial: PlannedTrial, mean: float, seconds: int, draws: np.random.Generator, log: str) -> TrialData:
    """A rate that rises while caches fill, scatters about its mean, and falls for one second once it is steady."""
    at = np.arange(1, seconds + 1)
    rate = mean * (1 - 0.4 * np.exp(-at / (WARM_S / 5))) * (1 + 0.02 * draws.standard_normal(seconds))
    rate[seconds * 2 // 3] = 0.3 * mean
    counts = np.cumsum(rate).round().astype(int)
    rows = [{"time_s": LAUNCHED_S + second, "value": int(count)} for second, count in zip(at, counts, strict=True)]
    run, wait = _shares(trial)
    vcpus = SHAPES[trial.shape]
    busy = {"cpu.user_ticks": run * vcpus + 0.5, "cpu.idle_ticks": HOST_CPUS - run * vcpus - 0.5}
    inside = {
        "cpu.user_ticks": run * vcpus,
        "cpu.steal_ticks": wait * vcpus,
        "cpu.idle_ticks": (1 - run - wait) * vcpus,
    }
    times = {f"vcpu.{n}.{what}_ns": share for n in range(vcpus) for what, share in (("run", run), ("wait", wait))}
    return TrialData(
        rows,
        _samples(at, {name: share * TICKS_PER_S for name, share in busy.items()}, {"ticks_per_s": TICKS_PER_S}),
        _samples(at, {name: share * TICKS_PER_S for name, share in inside.items()}, {"ticks_per_s": TICKS_PER_S}),
        _samples(at, {name: share * 1e9 for name, share in times.items()}, {}),
        log,
    )


def _samples(at: Sequence[int] | np.ndarray, per_s: Mapping[str, float], constant: Mapping[str, int]) -> list[Sample]:
    return [
        Sample(
            LAUNCHED_S + second,
            1e-4,
            int(second) * 10**9,
            {name: int(slope * second) for name, slope in per_s.items()} | constant,
        )
        for second in map(int, at)
    ]
