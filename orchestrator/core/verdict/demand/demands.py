"""What an operation takes in each cell, by the operational laws, and where the rest of the vCPUs' time went.

Operational laws (Denning & Buzen 1978; Lazowska, Zahorjan, Graham & Sevcik 1984, ch. 3): with throughput X and U busy
vCPUs an operation takes D = U / X of CPU time (service demand); U = X D (utilisation law); and N threads of which each
begins its next operation as soon as one is done take R = N / X for it (Little's law). V vCPUs hold V / X of vCPU time
for each operation, which is run, wait and idle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

from orchestrator.core.measure.checks import STEAL_DIFFERENCE
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.cells import CellReadings, Observation
from orchestrator.core.verdict.demand.cpu_cost import (
    CostScatter,
    cost_ratio,
    cost_scatter,
    cpu_seconds,
    leanest,
    mean_over_trials,
    not_negative,
)
from orchestrator.core.verdict.demand.results import Demand, Steal
from orchestrator.core.verdict.demand.sentences import doubts, sentences
from orchestrator.core.verdict.inference.uncertainty import exp
from orchestrator.core.verdict.rule import Rule

__all__ = ["Demand", "Steal", "demands"]

#: By so much of a vCPU's time run share and CPU time of an operation may differ: shares that were noted by hand are
#: rounded to whole percents (common practice, no published source).
_ROUNDED = 0.01
#: By so much steal and wait may differ with several trials: both are counted in steps and over windows of their own
#: (common practice, no published source). A single trial has the limit of the check of that trial.
_STEAL_STEP = 0.01


def demands(cells: Sequence[CellReadings], rule: Rule) -> tuple[Demand, ...]:
    """What an operation takes in each cell.

    Args:
        cells: of all workloads, in any order.
        rule: confidence of the intervals, and from which share on waiting counts as contention.

    Returns:
        One for each cell, ordered by workload, threads and size.
    """
    ordered = sorted(cells, key=lambda c: (c.first.workload, c.first.threads, c.size))
    found: list[Demand] = []
    for _, load in groupby(ordered, key=lambda c: c.first.workload):
        of_workload = list(load)
        lean, scatter = leanest(of_workload), cost_scatter(of_workload)
        known = sum(any(cpu_seconds(o) for o in c.observations) for c in of_workload)
        # Each cell is held against the leanest, and they are to hold together (Bonferroni, as in Dunn 1961).
        each = 1 - (1 - rule.confidence) / max(1, known - 1)
        found += [_demand(cell, lean, scatter, each, rule) for cell in of_workload]
    return tuple(found)


def _demand(cell: CellReadings, lean: CellReadings | None, scatter: CostScatter, each: float, rule: Rule) -> Demand:
    first, confidence = cell.first, rule.confidence
    wall = mean_over_trials(cell, lambda o: o.vcpus / o.throughput_per_s, confidence)
    response = mean_over_trials(cell, lambda o: o.threads / o.throughput_per_s, confidence)
    if wall is None or response is None:  # cannot be: a cell has an observation
        raise ValueError(f"cell {cell.id} has no observation")
    cpu = mean_over_trials(cell, cpu_seconds, confidence)
    busy = mean_over_trials(cell, _busy, confidence)
    ratio = _ratio(cell, lean, scatter, each)
    steal, steal_share, wait_share = _steal(cell, confidence)
    found = Demand(
        cell=cell.id,
        shape=first.shape,
        vcpus=first.vcpus,
        workload=first.workload,
        threads=first.threads,
        trials=len(cell.observations),
        cpu_s=not_negative(cpu),
        wait_s=not_negative(mean_over_trials(cell, lambda o: _held(o, o.shares.wait), confidence)),
        idle_s=not_negative(mean_over_trials(cell, lambda o: _held(o, o.shares.idle), confidence)),
        wall_s=not_negative(wall) or wall,
        response_s=not_negative(response) or response,
        busy_vcpus=busy.mean if busy is not None else None,
        leanest=lean.id if lean is not None and cpu is not None else None,
        cpu_ratio=ratio,
        overhead_s=cpu.mean * (1 - 1 / ratio.mean) if ratio is not None and cpu is not None else None,
        overhead_shown=ratio.low > 1 if ratio is not None and ratio.low is not None else None,
        laws_hold=_laws_hold(cell),
        contended=_contended(cell, rule),
        steal=steal,
        steal_share=steal_share,
        wait_share=wait_share,
        sentences=(),
    )
    lean_name = lean.first if lean is not None else None
    told = {"sentences": tuple(sentences(found, lean_name, rule)), "doubts": tuple(doubts(found))}
    return found.model_copy(update=told)


def _held(seen: Observation, share: float | None) -> float | None:
    """What a share of the wall time is in vCPU time of an operation."""
    return None if share is None else share * seen.vcpus / seen.throughput_per_s


def _busy(seen: Observation) -> float | None:
    """Busy vCPUs: by the run share, else by the utilisation law."""
    if seen.shares.run is not None:
        return seen.shares.run * seen.vcpus
    cost = seen.cpu_seconds_per_operation
    return None if cost is None else seen.throughput_per_s * cost


def _ratio(cell: CellReadings, lean: CellReadings | None, scatter: CostScatter, each: float) -> Interval | None:
    if lean is None or cell.key == lean.key:
        return None
    estimate = cost_ratio(lean, cell, scatter)
    if estimate is None:
        return None
    bounds = estimate.interval(each)
    return Interval(
        mean=exp(estimate.value),
        low=exp(bounds[0]) if bounds else None,
        high=exp(bounds[1]) if bounds else None,
        freedom=estimate.df if bounds else None,
    )


def _laws_hold(cell: CellReadings) -> bool | None:
    """U = X D where run share and cost are both told, and U no more than the vCPUs where either is."""
    found = [held for seen in cell.observations if (held := _law_holds(seen)) is not None]
    return all(found) if found else None


def _law_holds(seen: Observation) -> bool | None:
    cost, run = seen.cpu_seconds_per_operation, seen.shares.run
    by_law = None if cost is None else seen.throughput_per_s * cost / seen.vcpus
    shares = [share for share in (by_law, run) if share is not None]
    if not shares:
        return None
    return max(shares) <= 1 + _ROUNDED and max(shares) - min(shares) <= _ROUNDED


def _contended(cell: CellReadings, rule: Rule) -> bool | None:
    estimate = cell.estimate(rule.confidence)
    waits = [w for w in (estimate.wait, *(s.wait for s in estimate.per_vcpu)) if w is not None]
    return max(waits) >= rule.wait if waits else None


def _steal(cell: CellReadings, confidence: float) -> tuple[Steal | None, float | None, float | None]:
    """Steal and wait are one time seen from both sides; they disagree where their difference is beyond chance."""
    both = [(o.steal, o.shares.wait) for o in cell.observations if o.steal is not None and o.shares.wait is not None]
    if not both:
        return None, None, None
    n = len(both)
    steal, wait = (math.fsum(pair[k] for pair in both) / n for k in (0, 1))
    apart = mean_over_trials(
        cell, lambda o: None if o.steal is None or o.shares.wait is None else o.steal - o.shares.wait, confidence
    )
    if apart is None or apart.low is None or apart.high is None:
        beyond = abs(steal - wait) > STEAL_DIFFERENCE
    else:
        beyond = apart.low > _STEAL_STEP or apart.high < -_STEAL_STEP
    if not beyond:
        return "agrees", steal, wait
    return ("unseen" if steal == 0 else "disagrees"), steal, wait
