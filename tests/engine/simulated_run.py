"""A plan on the simulated lab with a store in memory: the whole engine in virtual time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.adapters.environment import fingerprint
from orchestrator.adapters.guest_output import OutputReader
from orchestrator.adapters.ssh import SshConnector
from orchestrator.adapters.workload_files import collect
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import ORDER_RULE, trials
from orchestrator.core.record.run import RunRecord, planned
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.news import News
from orchestrator.engine.ports import RunWriter
from orchestrator.engine.run_plan import Run
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.testing.memory_store import MemoryStore

#: Trials of a length that a person would plan: what benchmarks run.
AS_PLANNED = {
    "warm-up": {"at-least": "10 s", "at-most": "1 min"},
    "steady": {"at-least": "30 s", "at-most": "2 min"},
}


@dataclass
class Heard:
    """A reporter that remembers, and a stop request that can be made when something is heard."""

    news: list[News] = field(default_factory=list)
    stop_on: Any = None
    requested: bool = False

    held_off: bool = False

    def hold_off(self) -> None:
        self.held_off = True

    def tell(self, news: News) -> None:
        self.news.append(news)
        if self.stop_on is not None and self.stop_on(news):
            self.requested = True


def plan(**changed: Any) -> Plan:
    """Two shapes x two thread counts, short enough for a test."""
    declared: dict[str, Any] = {
        "title": "How many vCPUs does the bookings database need?",
        "lab": "lab.yaml",
        "guest": "bookings-1",
        "shapes": [{"name": "one", "vcpus": 1, "memory": "1 GiB"}, {"name": "two", "vcpus": 2, "memory": "1 GiB"}],
        "workloads": [{"name": "bookings", "use": "bookings", "threads": [1, 2]}],
        "design": {"blocks": 3, "seed": 7},
        "measure": {
            "every": "2 s",
            "warm-up": {"at-least": "10 s", "at-most": "1 min"},
            "steady": {"at-least": "30 s", "at-most": "30 s"},
        },
    }
    return Plan.model_validate(declared | changed)


def lab(*, may_power_cycle: bool = True, **settings: Any) -> Lab:
    """A simulated host with the settings given."""
    host = {"hypervisor": "simulated", "with": settings}
    guest = {"host": "model", "may-power-cycle": may_power_cycle}
    return Lab.model_validate({"hosts": {"model": host}, "guests": {"bookings-1": guest}})


@dataclass
class Experiment:
    """One run, ready to go."""

    plan: Plan
    lab: Lab
    store: MemoryStore = field(default_factory=MemoryStore)
    heard: Heard = field(default_factory=Heard)

    def __post_init__(self) -> None:
        self.equipment = SimulatedDriver().open(self.plan.guest, self.lab, VirtualClock(), SshConnector(VirtualClock()))
        self.hypervisor = self.equipment.hypervisor
        assert self.equipment.clock is not None
        assert self.equipment.connector is not None
        assert self.equipment.samplers is not None
        self.clock = self.equipment.clock
        self.bench = Bench(
            clock=self.clock,
            hypervisor=self.hypervisor,
            connector=self.equipment.connector,
            samplers=self.equipment.samplers,
            parser=OutputReader,
            fingerprint=fingerprint,
            loads=collect(self.plan, Path()),
            switch=SimulatedDriver.switch,
            reporter=self.heard,
            stop=self.heard,
        )

    def writer(self) -> RunWriter:
        """The run, begun in the store."""
        return self.store.create(record_of(self.plan), {"plan.yaml": b"plan", "lab.yaml": b"lab"})

    def go(self, writer: RunWriter | None = None, done: Sequence[TrialRecord] = ()) -> list[TrialRecord]:
        """Run it; returns the records of the trials run now."""
        writer, before = writer or self.writer(), {record.id for record in done}
        Run(self.plan, self.lab, self.bench, writer, done).go()
        return [trial for trial in self.store.find(writer.id).trials if trial.id not in before]


def record_of(plan: Plan) -> RunRecord:
    """What is decided before the first trial."""
    return RunRecord(
        id="run-1",
        title=plan.title,
        started_utc="2026-01-01T00:00:00.000Z",
        guest=plan.guest,
        guest_kind="simulated guest",
        hypervisor="simulated",
        order_rule=ORDER_RULE,
        seed=plan.design.seed,
        plan=plan.model_dump(mode="json"),
        trials=planned(trials(plan)),
        versions={},
        inputs_sha256={},
    )
