"""The samplers of the simulation keep the promises of a sampler."""

from __future__ import annotations

import pytest

from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.testing.conformance_sampler import check_sampler

WANTED = frozenset({"cpu.user_ticks", "cpu0.idle_ticks", "cpu1.steal_ticks", "pressure.cpu_some_us", "ticks_per_s"})


@pytest.mark.parametrize("machine", ["host", "guest"])
def test_simulated_samplers_keep_the_promises_of_a_sampler(machine: str) -> None:
    lab = Lab.model_validate(
        {"hosts": {"rack-a": {"hypervisor": "simulated"}}, "guests": {"bookings-1": {"host": "rack-a"}}}
    )
    equipment = SimulatedDriver().open("bookings-1", lab, VirtualClock(), SshConnector(VirtualClock()))
    hypervisor, connector, samplers, clock = (
        equipment.hypervisor,
        equipment.connector,
        equipment.samplers,
        equipment.clock,
    )
    assert connector is not None
    assert samplers is not None
    assert clock is not None
    hypervisor.stop(60)
    hypervisor.reshape(Shape.model_validate({"name": "two", "vcpus": 2, "memory": "1 GiB"}), hypervisor.save())
    hypervisor.start()
    clock.sleep(60)
    access = hypervisor.guest_access()
    shell = connector.connect(access, machine=machine, timeout_s=5)
    if machine == "guest":
        shell.start(("load", "2"))
    check_sampler(lambda: samplers.open(shell, machine=machine), clock, wanted=WANTED)
