"""The process guest keeps the promises of a driver."""

from __future__ import annotations

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.hypervisors.here.driver import HereDriver
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor

pytestmark = pytest.mark.real


def shape(vcpus: int, memory: str) -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": memory})


def test_here_keeps_the_promises_of_a_driver() -> None:
    clock = SystemClock()
    lab = Lab.model_validate(
        {"hosts": {"here": {"hypervisor": "here"}}, "guests": {"bookings-1": {"host": "here", "may-power-cycle": True}}}
    )
    equipment = HereDriver().open("bookings-1", lab, clock, SshConnector(clock))
    connector = equipment.connector or SshConnector(clock)
    shapes = (shape(1, "512 MiB"), shape(2, "256 MiB"), shape(1, "128 MiB"))
    check_hypervisor(Subject(equipment.hypervisor, connector, clock, shapes, observe_s=0.3))
