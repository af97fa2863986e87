"""The simulation keeps the promises of a driver, and the check of them can fail."""

from __future__ import annotations

import pytest

from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import SavedGuest, Shell
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault, HostFault
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
    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        super().reshape(shape.model_copy(update={"topology": None}), saved)


@pytest.mark.parametrize(
    ("liar", "promise"),
    [(ForgetsToRestore, "restored once"), (CountsTooMuch, "fit into the time"), (TakesAnything, "topology is refused")],
)
def test_the_check_finds_a_driver_that_breaks_its_word(liar: type[SimulatedHypervisor], promise: str) -> None:
    clock = VirtualClock()
    world = SimulatedWorld(SimulatedSettings(), clock)
    with pytest.raises(AssertionError, match=promise):
        check_hypervisor(Subject(liar(world), SimulatedConnector(world), clock, SHAPES))


class Pretends(SimulatedHypervisor):
    """Keeps definitions and power states, and nothing runs."""

    def start(self) -> None:
        super().start()
        self._world.answers_from_s = float("inf")

    def counters(self) -> Sample:
        raise HostFault("this hypervisor counts nothing")


def pretending(*, boots: bool) -> Subject:
    clock = VirtualClock()
    world = SimulatedWorld(SimulatedSettings(), clock)
    return Subject(Pretends(world), SimulatedConnector(world), clock, SHAPES, boots=boots)


def test_of_a_hypervisor_that_only_pretends_the_rest_is_checked() -> None:
    check_hypervisor(pretending(boots=False))
    with pytest.raises(GuestFault, match="did not answer"):
        check_hypervisor(pretending(boots=True))


class Remembers(SimulatedHypervisor):
    """Defines a shape differently after another one, as undoing call by call does."""

    _before = 0

    def save(self) -> SavedGuest:
        saved = super().save()
        return SavedGuest({name: content + b" " * self._before for name, content in saved.files.items()}, saved.running)

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        super().reshape(shape, saved)
        self._before += 1


class Fusses(SimulatedHypervisor):
    def trouble(self) -> str | None:
        return "it is paused"


class Shrugs(SimulatedHypervisor):
    def trouble(self) -> str | None:
        return None


class PlugsNothing(SimulatedHypervisor):
    def plug(self) -> None:
        """Lies."""


class BootsWithAll(SimulatedHypervisor):
    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        super().reshape(shape.model_copy(update={"reshape": "cold"}), saved)


class NamesTooManyThreads(SimulatedHypervisor):
    def vcpu_threads(self, *_host: Shell) -> dict[int, str]:
        return dict.fromkeys((0, 1), "/proc/1/task/1/schedstat")


class Dissuades(SimulatedHypervisor):
    def refusal(self, shape: Shape) -> str | None:
        return f"shape {shape.name} would not suit"


class TellsTooLate(SimulatedHypervisor):
    """Refuses what it cannot give only when it is asked for it."""

    _asked = False

    def refusal(self, shape: Shape) -> str | None:
        return super().refusal(shape) if self._asked else None

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        self._asked = True
        try:
            super().reshape(shape, saved)
        finally:
            self._asked = False


class NamesOddThreads(SimulatedHypervisor):
    def vcpu_threads(self, *_host: Shell) -> dict[int, str]:
        return {vcpu: f"/proc/1/task/{vcpu + 1}/stat" for vcpu in range(self._world.shape.vcpus)}


@pytest.mark.parametrize(
    ("liar", "says"),
    [
        (Dissuades, "nothing speaks against shape v1"),
        (TellsTooLate, "shares is refused, and refusal tells so beforehand"),
        (Remembers, "defined the same, byte for byte"),
        (Fusses, "there is no trouble"),
        (Shrugs, "trouble says so"),
        (PlugsNothing, "1 of 2 vCPUs came online"),
        (BootsWithAll, "boots with one vCPU; online are '0-1'"),
        (NamesTooManyThreads, "a thread for each of 1 vCPUs"),
        (NamesOddThreads, "is like /proc/PID/task/TID/schedstat"),
    ],
)
def test_the_check_finds_the_newer_promises_broken(liar: type[SimulatedHypervisor], says: str) -> None:
    clock = VirtualClock()
    world = SimulatedWorld(SimulatedSettings(), clock)
    with pytest.raises((AssertionError, GuestFault), match=says):
        check_hypervisor(Subject(liar(world), SimulatedConnector(world), clock, SHAPES))
