"""Everything a run works with, handed over in one piece."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field

from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.time_limit import TimeLimit
from orchestrator.core.design.workload import Reader
from orchestrator.engine.ports import (
    Clock,
    Connector,
    Hypervisor,
    Leases,
    NoLeases,
    OutputParser,
    Reporter,
    SamplerFactory,
    Shell,
    StopRequest,
    WorkloadFiles,
)
from orchestrator.units import Seconds, utc_text


@dataclass(frozen=True)
class Bench:
    """The parts of the world that the engine reaches, for one guest on one host.

    Attributes:
        hypervisor: the driver, bound to the guest.
        parser: makes a parser for a workload's reader.
        fingerprint: reads the facts of a machine through a login and the prefix of its ``/proc``.
        loads: files of each workload of the plan, by workload name.
        switch: how long reshape, start and stop take, for estimates.
        marks: whether the driver's guests say that they are in a shape of a run; then how a run defined them is noted,
            and who edits them after a kill is found out.
        stop: whether somebody asked to stop after the trial in hand.
        neighbours: drivers bound to the other guests that carry load, by the guests' names.
        leases: of the guest and its host, taken before the run began.
        limit: when the run is to be over.
        local_time: writes a wall-clock time the way people here read it.
    """

    clock: Clock
    hypervisor: Hypervisor
    connector: Connector
    samplers: SamplerFactory
    parser: Callable[[Reader], OutputParser]
    fingerprint: Callable[[Shell, str], Mapping[str, str | None]]
    loads: Mapping[str, WorkloadFiles]
    switch: Switch
    reporter: Reporter
    stop: StopRequest
    neighbours: Mapping[str, Hypervisor] = field(default_factory=dict)
    marks: bool = False
    leases: Leases = field(default_factory=NoLeases)
    limit: TimeLimit = field(default_factory=TimeLimit)
    local_time: Callable[[Seconds], str] = utc_text

    def close(self) -> None:
        """Let go of what the drivers made, of each whatever becomes of the others; safe to call twice."""
        with ExitStack() as stack:
            for hypervisor in (*self.neighbours.values(), self.hypervisor):
                stack.callback(hypervisor.close)
