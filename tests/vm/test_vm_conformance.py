"""The libvirt driver keeps its promises on a guest that really boots."""

from __future__ import annotations

import pytest
from vm_sandbox import BOOKINGS, BOOTS_WITHIN_S, Sandbox

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.shape import Shape
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor

pytestmark = pytest.mark.vm

SHAPES = (
    {"name": "one", "vcpus": 1, "memory": "192 MiB"},
    {"name": "two", "vcpus": 2, "memory": "256 MiB", "topology": {"sockets": 2}, "pin": [0, 1]},
    {"name": "one-again", "vcpus": 1, "memory": "256 MiB"},
)


def test_libvirt_keeps_the_promises_of_a_driver(sandbox: Sandbox) -> None:
    """Three sizes, one of them with a topology and pins, then the largest plugged in while it runs."""
    clock = SystemClock()
    shapes = [Shape.model_validate(shape) for shape in SHAPES]
    hypervisor = sandbox.driver(BOOKINGS)
    assert "live" in hypervisor.features
    check_hypervisor(
        Subject(hypervisor, SshConnector(clock), clock, shapes, BOOTS_WITHIN_S, BOOTS_WITHIN_S, observe_s=1.0)
    )
