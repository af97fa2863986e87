"""Runs of the ferry line's bookings database with known readings, for the tests that set runs against each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from orchestrator.core.record.run import PlannedTrial, RunRecord, StoredRun
from orchestrator.core.verdict.between_runs.compared import compare_runs
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.evidence import Evidence

GIB = 2**30
#: Shape and threads to throughput, a block after the other; ``None`` where a trial does not count.
Readings = Mapping[tuple[str, int], Sequence[float | None]]

ONE = {"name": "one", "vcpus": 1, "memory": GIB}
TWO = {"name": "two", "vcpus": 2, "memory": GIB}
FOUR = {"name": "four", "vcpus": 4, "memory": 2 * GIB}
BOOKINGS = {"name": "bookings", "use": "bookings", "threads": [1, 2, 4]}
PROGRAM = {"bookings/bookings.py": "a" * 64}


def side(
    readings: Readings,
    run: str = "new",
    *,
    shapes: Sequence[Mapping[str, Any]] = (ONE, TWO, FOUR),
    load: Mapping[str, Any] = BOOKINGS,
    files: Mapping[str, str] = PROGRAM,
    blocked: bool = True,
    costs: Readings | None = None,
    state: str = "done",
    **facts: Any,
) -> Side:
    """A run with these readings; ``costs`` are CPU seconds an operation."""
    name, sizes = str(load["name"]), {str(s["name"]): (int(s["vcpus"]), s.get("memory")) for s in shapes}
    cells = [(cell, number, value) for cell, values in readings.items() for number, value in enumerate(values)]
    ordered = sorted(cells, key=lambda each: each[1])
    planned = tuple(
        PlannedTrial(id=f"{n:04}", number=n, block=block + 1, shape=cell[0], workload=name, threads=cell[1])
        for n, (cell, block, _) in enumerate(ordered, start=1)
    )
    observed = tuple(
        Observation(
            shape=shape,
            vcpus=sizes[shape][0],
            memory=sizes[shape][1],
            workload=name,
            threads=threads,
            block=block + 1 if blocked else None,
            throughput_per_s=value,
            cpu_seconds_per_operation=costs[shape, threads][block] if costs and (shape, threads) in costs else None,
        )
        for (shape, threads), block, value in ordered
        if value is not None
    )
    plan = {"shapes": list(shapes), "workloads": [load], "decide": {"margin": 0.03, "confidence": 0.95}}
    record: dict[str, Any] = {
        "id": run,
        "title": "Bookings on the new hosts",
        "started_utc": "2026-08-01T10:11:12.345Z",
        "guest": "bookings-1",
        "guest_kind": "simulated guest",
        "hypervisor": "simulated",
        "order_rule": "trialbed-order-1",
        "seed": 7,
        "plan": plan,
        "trials": planned,
        "versions": {},
        "inputs_sha256": dict(files),
    }
    stored = StoredRun(RunRecord(**record | facts), (), state, f"/store/{run}")
    tried = frozenset((name, threads, shape) for shape, threads in readings)
    return Side(stored, Evidence(observed, tried=tried))


def compared(base: Side | Sequence[Side], new: Side, **terms: Any) -> RunsCompared:
    """The comparison at 3 % and 95 %, unless said otherwise."""
    usual: dict[str, Any] = {"margin": 0.03, "confidence": 0.95, "per": "second"}
    return compare_runs([base] if isinstance(base, Side) else base, new, **usual | terms)


def by_cell(found: RunsCompared) -> dict[str, Change]:
    """Each change by the cell's name in the new run."""
    return {each.cell: each for each in found.changes}


def scattered(
    truth: Mapping[tuple[str, int], float], *, k: int, sd: float, block_sd: float = 0.0, seed: int = 1
) -> dict[tuple[str, int], list[float]]:
    """``k`` blocks of lognormal readings."""
    rng = np.random.default_rng(seed)
    shared = rng.normal(0, block_sd, k) if block_sd else np.zeros(k)
    return {cell: (rate * np.exp(shared + rng.normal(0, sd, k))).tolist() for cell, rate in truth.items()}
