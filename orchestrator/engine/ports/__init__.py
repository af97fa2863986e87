"""What the engine needs of the world, as protocols. Adapters, drivers and fakes implement them."""

from __future__ import annotations

from orchestrator.engine.ports.clock import Clock
from orchestrator.engine.ports.counters import Sampler, SamplerFactory
from orchestrator.engine.ports.hypervisors import Description, Driver, Equipment, Hypervisor, LeftBehind, SavedGuest
from orchestrator.engine.ports.leases import SHARED, Lease, Leases, LeaseState, NoLeases
from orchestrator.engine.ports.people import Reporter, StopRequest
from orchestrator.engine.ports.shells import MAX_LINE, Completed, Connector, Line, Process, Shell
from orchestrator.engine.ports.store import Draft, NoDraft, RunStore, RunWriter, SampleSeries, TrialData
from orchestrator.engine.ports.workloads import OutputParser, WorkloadFiles

__all__ = [
    "MAX_LINE",
    "SHARED",
    "Clock",
    "Completed",
    "Connector",
    "Description",
    "Draft",
    "Driver",
    "Equipment",
    "Hypervisor",
    "Lease",
    "LeaseState",
    "Leases",
    "LeftBehind",
    "Line",
    "NoDraft",
    "NoLeases",
    "OutputParser",
    "Process",
    "Reporter",
    "RunStore",
    "RunWriter",
    "SampleSeries",
    "Sampler",
    "SamplerFactory",
    "SavedGuest",
    "Shell",
    "StopRequest",
    "TrialData",
    "WorkloadFiles",
]
