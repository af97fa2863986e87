"""What is said of the operations of one cell."""

from __future__ import annotations

from typing import Literal, TypeAlias

from orchestrator.core.measure.results import Interval, Record

Steal: TypeAlias = Literal["agrees", "disagrees", "unseen"]


class Demand(Record):
    """What an operation takes in one cell; all times in seconds per operation, ``None`` where not observed.

    Attributes:
        cell, shape, vcpus, workload, threads: the cell.
        trials: how many it rests on.
        cpu_s: CPU time of an operation, the service demand D = U / X.
        wait_s, idle_s: vCPU time of an operation spent waiting for a physical CPU, and idle; with ``cpu_s`` they add up
            to ``wall_s`` where all three belong to one window.
        wall_s: vCPU time of an operation: vCPUs / X.
        response_s: how long a thread takes for an operation if it begins the next one at once (R = N / X).
        busy_vcpus: vCPUs that ran on average (U = X D).
        leanest: the cell of the workload whose operation costs the least CPU time; ``None`` where costs are not known.
        cpu_ratio: CPU time of an operation over that of the leanest cell, its interval holding together with those of
            the workload's other cells (Bonferroni); ``None`` for the leanest itself.
        overhead_s: CPU time of an operation beyond that of the leanest cell.
        overhead_shown: whether the interval of ``cpu_ratio`` lies above 1; ``None`` where there is no interval.
        laws_hold: whether run share, throughput and CPU time of an operation agree (U = X D) and no more vCPUs were
            busy than there are; ``None`` where there is nothing to hold against each other.
        contended: whether its vCPUs wait by the rule's threshold or more; ``None`` where waiting is not known.
        steal: the guest's steal against the host's wait: ``agrees``, ``disagrees`` beyond uncertainty, ``unseen`` (the
            guest counts none of what the host counts), ``None`` where either is not known.
        steal_share, wait_share: means of both, where both are known.
        sentences: plain words, the most important first; each stands alone.
        doubts: of these, what does not fit together in the figures.
    """

    cell: str
    shape: str
    vcpus: int
    workload: str
    threads: int
    trials: int
    cpu_s: Interval | None
    wait_s: Interval | None
    idle_s: Interval | None
    wall_s: Interval
    response_s: Interval
    busy_vcpus: float | None
    leanest: str | None
    cpu_ratio: Interval | None
    overhead_s: float | None
    overhead_shown: bool | None
    laws_hold: bool | None
    contended: bool | None
    steal: Steal | None
    steal_share: float | None
    wait_share: float | None
    sentences: tuple[str, ...]
    doubts: tuple[str, ...] = ()
