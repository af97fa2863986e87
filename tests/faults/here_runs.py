"""A run on a process guest of this machine, in this process: real SSH, real programs, a store in memory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from simulated_run import Heard, record_of

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.environment import fingerprint
from orchestrator.adapters.guest_output import OutputReader
from orchestrator.adapters.samplers.sampler import Samplers
from orchestrator.adapters.ssh import SshConnector
from orchestrator.adapters.ssh.keepalive import Rhythm
from orchestrator.adapters.workload_files import collect
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.record.journal import progress
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.run_plan import Run
from orchestrator.hypervisors.here.driver import HereDriver
from orchestrator.testing.memory_store import MemoryStore

LAB = Lab.model_validate(
    {
        "hosts": {"this-machine": {"hypervisor": "here"}},
        "guests": {"bookings-1": {"host": "this-machine", "may-power-cycle": True}},
    }
)
READER = {"pattern": "(?P<value>[0-9]+) searches", "figure": "count"}
MEASURE = {
    "every": "200 ms",
    "warm-up": {"at-least": "200 ms", "at-most": "10 s"},
    "steady": {"at-least": "1 s", "at-most": "2 s", "until-within": "50 %"},
}


def load(name: str, command: list[str], **more: Any) -> dict[str, Any]:
    """A workload of a plan that runs a program of this machine."""
    return {"name": name, "threads": [1], "command": command, "reader": READER, "quiet-after": "1 s", **more}


class HereRun:
    """One run of some workloads, once each.

    Attributes:
        heard: what was told; a test may have it act on news.
        hypervisor: the driver.
        store: what was kept.
    """

    def __init__(self, *workloads: dict[str, Any], rhythm: Rhythm | None = None) -> None:
        declared = {
            "title": "How fast is a fare search?",
            "lab": "lab.yaml",
            "guest": "bookings-1",
            "shapes": [{"name": "one", "vcpus": 1, "memory": "512 MiB"}],
            "workloads": list(workloads),
            "design": {"blocks": 1, "seed": 7},
            "measure": MEASURE,
            "give-up-after": 100,
        }
        self.plan = Plan.model_validate(declared)
        self.heard, self.store = Heard(), MemoryStore()
        clock = SystemClock()
        connector = SshConnector(clock, rhythm)
        self.hypervisor = HereDriver().open("bookings-1", LAB, clock, connector).hypervisor
        self.bench = Bench(
            clock=clock,
            hypervisor=self.hypervisor,
            connector=connector,
            samplers=Samplers(clock),
            parser=OutputReader,
            fingerprint=fingerprint,
            loads=collect(self.plan, Path()),
            switch=HereDriver.switch,
            reporter=self.heard,
            stop=self.heard,
        )

    def go(self) -> dict[str, TrialRecord]:
        """Run it; the guest must be as it was, whatever happened. Returns each workload's trial."""
        before = self.hypervisor.save()
        writer = self.store.create(record_of(self.plan), {})
        try:
            Run(self.plan, LAB, self.bench, writer, []).go()
            assert self.hypervisor.save() == before
        finally:
            self.hypervisor.close()
        kept = self.store.kept[writer.id]
        assert progress(kept.journal).guest_is_back
        return {record.workload: record for record in kept.trials.values()}
