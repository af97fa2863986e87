"""Whole runs on the simulation: what is measured is the truth, and what goes wrong costs the trial it strikes."""

from __future__ import annotations

from typing import get_args

import pytest

from orchestrator.adapters.environment import fingerprint
from orchestrator.adapters.guest_output import OutputReader
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import trials
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.ports import WorkloadFiles
from orchestrator.engine.run_plan import Run
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.hypervisors.simulated.model import truth
from orchestrator.hypervisors.simulated.settings import FaultKind, SimulatedSettings
from orchestrator.testing.conformance_store import run_record
from orchestrator.testing.memory_store import MemoryStore


class Quiet:
    """Nobody watches and nobody interrupts."""

    requested = False

    def hold_off(self) -> None:
        """There is nobody to hold off."""

    def tell(self, news: object) -> None:
        """Say nothing."""


def plan(shapes: list[int], threads: list[int], blocks: int, *, least: str = "60 s", most: str = "90 s") -> Plan:
    return Plan.model_validate(
        {
            "title": "a simulated run",
            "lab": "lab.yaml",
            "guest": "bookings-1",
            "shapes": [{"name": f"v{v}", "vcpus": v, "memory": "1 GiB"} for v in shapes],
            "workloads": [{"name": "bookings", "use": "bookings", "threads": threads}],
            "design": {"blocks": blocks, "order": "as-written"},
            "measure": {"warm-up": {"at-least": "20 s"}, "steady": {"at-least": least, "at-most": most}},
        }
    )


def run(plan: Plan, *, force_off: bool = False, **declared: object) -> list[TrialRecord]:
    lab = Lab.model_validate(
        {
            "hosts": {"rack-a": {"hypervisor": "simulated", "with": declared}},
            "guests": {"bookings-1": {"host": "rack-a", "may-power-cycle": True, "force-off": force_off}},
        }
    )
    equipment = SimulatedDriver().open("bookings-1", lab, VirtualClock(), SshConnector(VirtualClock()))
    assert equipment.clock is not None
    assert equipment.connector is not None
    assert equipment.samplers is not None
    bench = Bench(
        clock=equipment.clock,
        hypervisor=equipment.hypervisor,
        connector=equipment.connector,
        samplers=equipment.samplers,
        parser=OutputReader,
        fingerprint=fingerprint,
        loads={"bookings": WorkloadFiles({"bookings.py": b"pass"}, {})},
        switch=SimulatedDriver.switch,
        reporter=Quiet(),
        stop=Quiet(),
    )
    before = bench.hypervisor.save()
    store = MemoryStore()
    writer = store.create(run_record("simulated"), {})
    Run(plan, lab, bench, writer).go()
    assert bench.hypervisor.save() == before
    return list(store.find(writer.id).trials)


@pytest.mark.parametrize("gang", [True, False])
def test_what_is_measured_is_the_truth(gang: bool) -> None:
    question = plan([1, 2], [1, 2], 1)
    declared = {"gang": gang, "noise": {"between": "0 %"}, "busy": "80 %"}
    records = run(question, **declared)
    for record, trial in zip(records, trials(question), strict=True):
        expected = truth(SimulatedSettings.model_validate(declared), trial.cell.shape, trial.cell.threads)
        assert record.outcome == "measured", record.reason
        assert record.summary is not None
        assert record.summary.throughput is not None
        assert record.summary.throughput.mean == pytest.approx(expected.rate, rel=0.01)
        for vcpu in record.summary.vcpus:
            assert vcpu.run == pytest.approx(expected.run[vcpu.vcpu], abs=0.001)
            assert vcpu.wait == pytest.approx(expected.wait[vcpu.vcpu], abs=0.001)
            assert vcpu.idle == pytest.approx(expected.idle[vcpu.vcpu], abs=0.001)


FAILED = {
    "does-not-boot": ("log in", "guest"),
    "refuses-reshape": ("reshape", "host"),
    "refuses-start": ("start", "host"),
    "fewer-cpus": ("verify", "guest"),
    "less-memory": ("verify", "guest"),
    "drops-line": ("measure", "guest"),
    "falls-silent": ("measure", "guest"),
    "reboots": ("measure", "guest"),
    "workload-exits": ("measure", "workload"),
    "workload-hangs": ("measure", "workload"),
}
#: What a trial that goes on says of the fault: a check that is not ok.
REMARKED = {
    "clock-frozen": "clock rate",
    "counter-falls": "vcpu accounting",
    "counter-missing": "vcpu accounting",
    "workload-counts-back": "workload output",
    "workload-floods": "workload output",
}
UNSEEN = ("will-not-stop",)  # force-off deals with it


def remarks(record: TrialRecord) -> set[str]:
    assert record.summary is not None
    return {check.name for check in record.summary.checks if check.state != "ok"}


def test_each_fault_costs_its_own_trial_at_most_and_never_passes_unnoticed() -> None:
    kinds = [*FAILED, *REMARKED, *UNSEEN]
    assert sorted(kinds) == sorted(get_args(FaultKind))
    faults = [{"kind": kind, "trial": 2 * number, "at": "190 s"} for number, kind in enumerate(kinds, start=1)]
    long = plan([2], [1], 2 * len(kinds) + 1, least="3 min", most="4 min")  # so that all are struck while they measure
    records = run(long, force_off=True, faults=faults)
    assert [record.outcome for record in records[::2]] == ["measured"] * (len(kinds) + 1)
    always = remarks(records[0])
    for kind, record in zip(kinds, records[1::2], strict=True):
        if kind in FAILED:
            assert (record.outcome, record.failed_stage, record.fault) == ("failed", *FAILED[kind]), kind
        else:
            assert record.outcome != "failed", kind
            assert (remarks(record) - always) & {REMARKED.get(kind)} or kind in UNSEEN, kind


def test_a_fault_that_passes_costs_a_retry() -> None:
    faults = [{"kind": kind, "trial": 1, "attempts": 1} for kind in ("refuses-reshape", "refuses-start")]
    (record,) = run(plan([2], [1], 1), faults=faults)
    assert record.outcome == "measured"
    assert [stage.attempts for stage in record.stages[:2]] == [2, 2]
