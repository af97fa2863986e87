"""CPU time of an operation: the service demand of a cell, and of one cell against another.

The service-demand law (Denning & Buzen 1978; Lazowska, Zahorjan, Graham & Sevcik 1984, ch. 3): D = U / X, the CPU time
of an operation is the number of busy CPUs over the operations per second.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.cells import CellReadings, Observation
from orchestrator.core.verdict.inference.cell_scatter import CellScatter, cell_scatters, paired_by_design
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, independent, student

#: Cell's key to how the logs of its CPU costs scatter.
CostScatter: TypeAlias = Mapping[tuple[str, int, str], CellScatter]


def cpu_seconds(seen: Observation) -> float | None:
    """CPU seconds of an operation in one trial: as measured, else from the vCPUs' run share; ``None`` if unknown."""
    if seen.cpu_seconds_per_operation is not None:
        return seen.cpu_seconds_per_operation
    return None if seen.shares.run is None else seen.shares.run * seen.vcpus / seen.throughput_per_s


def mean_over_trials(
    cell: CellReadings, value: Callable[[Observation], float | None], confidence: float
) -> Interval | None:
    """Mean over the trials that tell, with Student's t; no bounds for a single one, ``None`` for none."""
    known = [found for seen in cell.observations if (found := value(seen)) is not None]
    if not known:
        return None
    n, mean = len(known), math.fsum(known) / len(known)
    if n == 1:
        return Interval(mean=mean, low=None, high=None)
    sd = math.sqrt(math.fsum((x - mean) ** 2 for x in known) / (n - 1))
    half = student(confidence, n - 1) * sd / math.sqrt(n)
    return Interval(mean=mean, low=mean - half, high=mean + half, freedom=n - 1)


def not_negative(found: Interval | None) -> Interval | None:
    """The same with its lower bound no lower than 0, for what cannot be negative."""
    if found is None or found.low is None or found.low >= 0:
        return found
    return found.model_copy(update={"low": min(0.0, found.mean)})


def cost_scatter(cells: Sequence[CellReadings]) -> CostScatter:
    """How much the logs of CPU costs scatter over the block design of all cells; empty where there is no design."""
    known = {cell.key: by_block for cell in cells if (by_block := _by_block(cell))}
    found = cell_scatters(list(known.values()))
    return dict(zip(known, found, strict=True)) if found is not None else {}


def cost_ratio(base: CellReadings, new: CellReadings, scatter: CostScatter) -> LogEstimate | None:
    """Log of the CPU time of an operation, new over base, by block where there are blocks; ``None`` if unknown."""
    one, two = _by_block(base), _by_block(new)
    if one and two:
        return paired_by_design(one, two, (scatter.get(base.key), scatter.get(new.key)))
    logs = [_logs(cell) for cell in (base, new)]
    return independent(*logs) if all(logs) else None


def leanest(cells: Sequence[CellReadings]) -> CellReadings | None:
    """The cell whose operation costs the least CPU time, the smaller of equals; ``None`` where no cost is known."""
    means = [(sum(logs) / len(logs), cell.first.threads, cell.size, cell) for cell in cells if (logs := _logs(cell))]
    return min(means, key=lambda found: found[:3])[3] if means else None


def _logs(cell: CellReadings) -> list[float]:
    return [math.log(cost) for seen in cell.observations if (cost := cpu_seconds(seen)) is not None and cost > 0]


def _by_block(cell: CellReadings) -> dict[int, float]:
    """Block to log of the cost; empty where there are no blocks or no costs."""
    if cell.by_block is None:
        return {}
    return {
        seen.block: math.log(cost)
        for seen in cell.observations
        if seen.block is not None and (cost := cpu_seconds(seen)) is not None and cost > 0
    }
