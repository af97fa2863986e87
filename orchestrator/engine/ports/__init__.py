"""What the engine needs of the world, as protocols. Adapters, drivers and fakes implement them."""

from __future__ import annotations

from orchestrator.engine.ports.clock import Clock
from orchestrator.engine.ports.counters import Sampler, SamplerFactory
from orchestrator.engine.ports.hypervisors import Description, Driver, Equipment, Hypervisor, LeftBehind, SavedGuest
from orchestrator.engine.ports.people import Reporter, StopRequest
from orchestrator.engine.ports.shells import MAX_LINE, Completed, Connector, Line, Process, Shell
from orchestrator.engine.ports.store import RunStore, RunWriter, TrialData
from orchestrator.engine.ports.workloads import OutputParser, WorkloadFiles

__all__ = [
    "MAX_LINE",
    "Clock",
    "Completed",
    "Connector",
    "Description",
    "Driver",
    "Equipment",
    "Hypervisor",
    "LeftBehind",
    "Line",
    "OutputParser",
    "Process",
    "Reporter",
    "RunStore",
    "RunWriter",
    "Sampler",
    "SamplerFactory",
    "SavedGuest",
    "Shell",
    "StopRequest",
    "TrialData",
    "WorkloadFiles",
]
