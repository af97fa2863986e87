"""The simulation keeps the promises of a driver, and the check of them can fail."""

from __future__ import annotations

import pytest

from orchestrator.core.design.shape import Shape
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.hypervisors.simulated.hypervisor import SimulatedHypervisor
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.hypervisors.simulated.shell import SimulatedConnector
from orchestrator.hypervisors.simulated.world import SimulatedWorld
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor


def shape(vcpus: int, memory: str = "1 GiB") -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": memory})


SHAPES = (shape(1), shape(2, "512 MiB"), shape(1, "2 GiB"))


def simulated(**declared: object) -> Subject:
    clock = VirtualClock()
    world = SimulatedWorld(SimulatedSettings.model_validate(declared), clock)
    return Subject(SimulatedHypervisor(world), SimulatedConnector(world), clock, SHAPES)


@pytest.mark.parametrize(
    "declared", [{}, {"gang": False}, {"defined": {"running": False}}, {"boot": "55 s", "neighbours": 40}]
)
def test_simulated_keeps_the_promises_of_a_driver(declared: dict[str, object]) -> None:
    check_hypervisor(simulated(**declared))


FAULTS_THAT_BREAK_A_PROMISE = {
    "does-not-boot": "did not answer",
    "fewer-cpus": "CPU is online",
    "less-memory": "of memory where",
    "refuses-reshape": "refused the definition",
    "refuses-start": "did not start",
    "will-not-stop": "did not shut down",
}


@pytest.mark.parametrize(("kind", "says"), FAULTS_THAT_BREAK_A_PROMISE.items())
def test_the_check_can_fail(kind: str, says: str) -> None:
    with pytest.raises(Exception, match=says):
        check_hypervisor(
            simulated(faults=[{"kind": kind, "every": 1}], defined={"vcpus": 2, "memory": "1 GiB", "running": False})
        )


class ForgetsToRestore(SimulatedHypervisor):
    def restore(self, saved: object) -> None:
        """Lies."""


class CountsTooMuch(SimulatedHypervisor):
    def counters(self):  # type: ignore[no-untyped-def]
        sample = super().counters()
        inflated = {key: value * 3 for key, value in sample.values.items()}
        return type(sample)(
            sample.time_s, sample.uncertainty_s, sample.source_ns, {**inflated, "vcpu.0.run_ns": sample.source_ns * 2}
        )


class TakesAnything(SimulatedHypervisor):
    def reshape(self, shape: Shape) -> None:
        super().reshape(shape.model_copy(update={"topology": None}))


@pytest.mark.parametrize(
    ("liar", "promise"),
    [(ForgetsToRestore, "restored once"), (CountsTooMuch, "fit into the time"), (TakesAnything, "topology is refused")],
)
def test_the_check_finds_a_driver_that_breaks_its_word(liar: type[SimulatedHypervisor], promise: str) -> None:
    clock = VirtualClock()
    world = SimulatedWorld(SimulatedSettings(), clock)
    with pytest.raises(AssertionError, match=promise):
        check_hypervisor(Subject(liar(world), SimulatedConnector(world), clock, SHAPES))
