"""How many operations the price of each shape buys, and which shape gives the most for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.comparison import Key, family_of, log_ratio
from orchestrator.core.verdict.inference.family import Family, Look
from orchestrator.core.verdict.inference.uncertainty import exp, mean_of
from orchestrator.core.verdict.price import Price
from orchestrator.core.verdict.words import count, listed, number


class CellValue(Record):
    """What the price of one cell's shape buys.

    ``per_cost`` is operations per second for one unit of cost, the geometric mean over trials; ``low`` and ``high``
    bound it as they bound the throughput (``None`` with a single trial). ``price`` is the shape's.
    """

    cell: str
    workload: str
    threads: int
    shape: str
    price: float
    per_cost: float
    low: float | None
    high: float | None


class BestValue(Record):
    """The shape that gives the most for its price under one load.

    ``rivals`` are shapes that the intervals cannot exclude from being the best value; ``None`` where a single reading
    a cell leaves that open.
    """

    workload: str
    threads: int
    shape: str
    unit: str
    rivals: tuple[str, ...] | None
    sentence: str


def values(cells: Sequence[CellReadings], price: Price, confidence: float) -> tuple[CellValue, ...]:
    """Operations per unit of cost of each cell whose price is known."""
    found = []
    for cell in cells:
        cost = price.of(cell.first.vcpus, cell.first.memory)
        if cost is None:
            continue
        seen = cell.estimate(confidence)
        found.append(
            CellValue(
                cell=cell.id,
                workload=seen.workload,
                threads=seen.threads,
                shape=seen.shape,
                price=cost,
                per_cost=seen.throughput_per_s / cost,
                low=seen.low / cost if seen.low is not None else None,
                high=seen.high / cost if seen.high is not None else None,
            )
        )
    return tuple(found)


def best_values(
    cells: Sequence[CellReadings], price: Price, confidence: float, look: Look | None = None
) -> tuple[BestValue, ...]:
    """The best value under each load with at least two shapes whose price is known.

    A shape is no rival when it is shown to be behind another (comparisons with the best: Hsu 1984), jointly over all
    loads of a workload.
    """
    found: list[BestValue] = []
    for _, of_workload in groupby(cells, key=lambda c: c.first.workload):
        priced = [c for c in of_workload if price.of(c.first.vcpus, c.first.memory) is not None]
        family = family_of(priced, confidence, look)
        loads = [list(load) for _, load in groupby(priced, key=lambda c: c.first.threads)]
        found += [_best(load, price, family) for load in loads if len(load) > 1]
    return tuple(found)


def _best(load: Sequence[CellReadings], price: Price, family: Family) -> BestValue:
    costs = {c.key: math.log(price.of(c.first.vcpus, c.first.memory) or math.inf) for c in load}
    best = max(sorted(load, key=lambda c: c.size), key=lambda c: mean_of(c.logs).value - costs[c.key])
    most = {c.key: _most(c, load, costs, family) for c in load if c.key != best.key}
    known = all(bound is not None for bound in most.values())
    rivals = tuple(c.first.shape for c in load if c.key != best.key and (most[c.key] or 0.0) >= 0) if known else None
    first = best.first
    return BestValue(
        workload=first.workload,
        threads=first.threads,
        shape=first.shape,
        unit=price.unit,
        rivals=rivals,
        sentence=_sentence(best, rivals, exp(costs[best.key]), price),
    )


def _most(cell: CellReadings, load: Sequence[CellReadings], costs: dict[Key, float], family: Family) -> float | None:
    """How far the cell may at the most be ahead of every other one, as a log ratio of operations per unit of cost."""
    bounds = []
    for other in load:
        if other.key != cell.key:
            ahead = log_ratio(other, cell)
            interval = ahead.interval(family.of_bound(ahead))
            if interval is None:
                return None
            bounds.append(interval[1] - costs[cell.key] + costs[other.key])
    return min(bounds)


def _sentence(best: CellReadings, rivals: tuple[str, ...] | None, cost: float, price: Price) -> str:
    per_second = exp(mean_of(best.logs).value)
    start = (
        f"Shape {best.first.shape} gives the most for its price with {count(best.first.threads, 'thread')}: "
        f"{number(per_second / cost)} operations a second for each unit of its price ({number(cost)}, in {price.unit})"
    )
    if rivals is None:
        return f"{start}; on the figures alone, which carry no uncertainty."
    if not rivals:
        return f"{start}; the intervals show it."
    also = listed([f"shape {shape}" for shape in rivals])
    return f"{start}; {also} cannot be excluded from giving as much."
