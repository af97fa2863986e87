"""Plans for real guests, short enough for a test, and a run of one with somebody at its side who interferes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vm_sandbox import BOOKINGS, Sandbox

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.environment import fingerprint
from orchestrator.adapters.guest_output import OutputReader
from orchestrator.adapters.samplers.sampler import Samplers
from orchestrator.adapters.ssh import SshConnector
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.workload_files import collect
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import ORDER_RULE, trials
from orchestrator.core.record.run import RunRecord, StoredRun, planned
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.news import News, StageBegan, TrialBegan
from orchestrator.engine.ports import Hypervisor
from orchestrator.engine.run_plan import Run
from orchestrator.hypervisors.libvirt.driver import LibvirtDriver

ONE = {"name": "one", "vcpus": 1, "memory": "192 MiB"}
TWO = {"name": "two", "vcpus": 2, "memory": "192 MiB"}
WORK = {
    "command": ["work", "{threads}", "0", "4"],
    "reader": {"pattern": r"work: (?P<value>\d+) operations, .* after (?P<time>[\d.]+) s", "figure": "count"},
}
#: As short as can be: the load prints four times a second, and nothing is said of fewer than ten readings.
MEASURE = {
    "every": "1 s",
    "warm-up": {"at-least": "2 s", "at-most": "3 s"},
    "steady": {"at-least": "5 s", "at-most": "5 s", "until-within": "50 %"},
}


def workload(name: str, threads: int = 1) -> dict[str, Any]:
    """The load ``work`` of the sandbox's guests."""
    return {"name": name, "threads": [threads], **WORK}


def plan(guest: str = BOOKINGS, **declared: Any) -> Plan:
    """A plan of one block, its cells in the order in which they are written."""
    usual: dict[str, Any] = {
        "title": "What becomes of a trial?",
        "lab": "lab.yaml",
        "guest": guest,
        "shapes": [ONE],
        "workloads": [workload("work")],
        "design": {"blocks": 1, "order": "as-written"},
        "measure": MEASURE,
    }
    return Plan.model_validate(usual | declared)


def bench(plan: Plan, hypervisor: Hypervisor, witness: Witness) -> Bench:
    """The real world."""
    clock = SystemClock()
    return Bench(
        clock=clock,
        hypervisor=hypervisor,
        connector=SshConnector(clock),
        samplers=Samplers(clock),
        parser=OutputReader,
        fingerprint=fingerprint,
        loads=collect(plan, Path()),
        switch=LibvirtDriver.switch,
        reporter=witness,
        stop=witness,
    )


@dataclass
class Witness:
    """Hears what a run tells, in its own thread and before it goes on, and may do something about it.

    Attributes:
        deeds: what is done when a stage first begins, by the trial's workload and the stage; a trial as a whole is the
            stage ``trial``.
    """

    deeds: dict[tuple[str, str], Callable[[], object]] = field(default_factory=dict)
    requested: bool = False
    _trial: str = ""

    def hold_off(self) -> None:
        """Nobody insists on anything here."""

    def tell(self, news: News) -> None:
        """Do what is to be done now."""
        match news:
            case TrialBegan(trial=trial):
                self._trial, stage = trial.cell.workload.name, "trial"
            case StageBegan(stage=stage, attempt=1):
                pass
            case _:
                return
        self.deeds.get((self._trial, stage), lambda: None)()


@dataclass(frozen=True)
class Outcome:
    """A run that is over.

    Attributes:
        trials: its records, by the name of the workload.
        before, after: the guest's definition.
        was_on: whether the guest was on at the end.
    """

    stored: StoredRun
    trials: dict[str, TrialRecord]
    before: str
    after: str
    was_on: bool


def run(sandbox: Sandbox, plan: Plan, store: Path, deeds: Witness | None = None, lab: Lab | None = None) -> Outcome:
    """Run a plan for real, from the first trial to the guest put back."""
    witness = deeds or Witness()
    lab = lab or sandbox.lab()
    before = sandbox.definition(plan.guest)
    world = bench(plan, sandbox.driver(plan.guest, lab), witness)
    writer = FolderStore(store).create(_record(plan), {"plan.yaml": b"plan", "lab.yaml": b"lab"})
    try:
        Run(plan, lab, world, writer).go()
    finally:
        world.close()
    stored = FolderStore(store).find(writer.id)
    records = {trial.workload: trial for trial in stored.trials}
    return Outcome(stored, records, before, sandbox.definition(plan.guest), sandbox.is_on(plan.guest))


def _record(plan: Plan) -> RunRecord:
    return RunRecord(
        id="",
        title=plan.title,
        started_utc="2026-01-01T00:00:00.000Z",
        guest=plan.guest,
        guest_kind="virtual machine",
        hypervisor="libvirt",
        order_rule=ORDER_RULE,
        seed=plan.design.seed,
        plan=plan.model_dump(mode="json"),
        trials=planned(trials(plan)),
        versions={},
        inputs_sha256={},
    )
