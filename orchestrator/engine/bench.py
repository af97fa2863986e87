"""Everything a run works with, handed over in one piece."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.workload import Reader
from orchestrator.engine.ports import (
    Clock,
    Connector,
    Hypervisor,
    OutputParser,
    Reporter,
    SamplerFactory,
    Shell,
    StopRequest,
    WorkloadFiles,
)


@dataclass(frozen=True)
class Bench:
    """The parts of the world that the engine reaches, for one guest on one host.

    Attributes:
        hypervisor: the driver, bound to the guest.
        parser: makes a parser for a workload's reader.
        fingerprint: reads the facts of a machine through a login and the prefix of its ``/proc``.
        loads: files of each workload of the plan, by workload name.
        switch: how long reshape, start and stop take, for estimates.
        stop: whether somebody asked to stop after the trial in hand.
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
