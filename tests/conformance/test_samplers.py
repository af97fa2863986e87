"""Both real samplers keep the promises of a sampler, on this machine and on others made of files; so does the fake."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalShell
from orchestrator.adapters.samplers.sampler import Method, Samplers
from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import HostFault
from orchestrator.hypervisors.simulated.hypervisor import SimulatedHypervisor
from orchestrator.hypervisors.simulated.sampler import SimulatedSamplerFactory
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.hypervisors.simulated.shell import SimulatedConnector
from orchestrator.hypervisors.simulated.world import SimulatedWorld
from orchestrator.testing.conformance_sampler import check_sampler

CLOCK = SystemClock()
HAS = frozenset({"cpu.user_ticks", "cpu0.idle_ticks", "load.1min", "load.runnable", "ticks_per_s"})


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[LocalShell]:
    shell = LocalShell(CLOCK, tmp_path)
    yield shell
    shell.close()


@pytest.mark.real
@pytest.mark.parametrize("method", ["python", "shell"])
def test_a_real_sampler_keeps_the_promises(shell: LocalShell, method: Method) -> None:
    thread = f"/proc/{os.getpid()}/task/{os.getpid()}/schedstat"
    samplers = Samplers(CLOCK, method)
    wanted = HAS | {f"thread.{os.getpid()}.run_ns"} if counts_run_delay() else HAS
    check_sampler(lambda: samplers.open(shell, machine="host", threads=[thread]), CLOCK, wanted=wanted)


@pytest.mark.real
@pytest.mark.parametrize("method", ["python", "shell"])
def test_on_a_machine_without_any_counter(shell: LocalShell, tmp_path: Path, method: Method) -> None:
    samplers = Samplers(CLOCK, method)
    check_sampler(lambda: samplers.open(shell, machine="guest", root=f"{tmp_path}/nothing"), CLOCK)


@pytest.mark.real
@pytest.mark.skipif(
    shutil.which("busybox") is None, reason="busybox is not installed; the shell program runs in sh only"
)
def test_in_busybox(shell: LocalShell, tmp_path: Path) -> None:
    """Its shell, its grep, and a PATH with nothing else, as in a guest of a kernel and busybox only."""
    tools = tmp_path / "bin"
    tools.mkdir()
    for name in ("sh", "grep"):
        (tools / name).symlink_to(str(shutil.which("busybox")))

    def only_busybox(argv: tuple[str, ...]) -> tuple[str, ...]:
        return (str(tools / "sh"), "-c", 'PATH=$1; shift; exec "$@"', "sh", str(tools), *argv)

    class Busybox(LocalShell):
        def start(self, argv, **given):  # type: ignore[no-untyped-def]
            return super().start(only_busybox(argv), **given)

    busybox = Busybox(CLOCK, tmp_path)
    try:
        check_sampler(lambda: Samplers(CLOCK, "shell").open(busybox, machine="guest"), CLOCK, wanted=HAS)
        sampler = Samplers(CLOCK, "shell").open(busybox, machine="guest")
        assert "ticks per second are unknown" in " ".join(sampler.notes)
        sampler.close()
    finally:
        busybox.close()


@pytest.mark.parametrize("machine", ["host", "guest"])
def test_the_simulated_sampler_keeps_the_promises(machine: str) -> None:
    clock = VirtualClock()
    world = SimulatedWorld(SimulatedSettings.model_validate({}), clock)
    hypervisor = SimulatedHypervisor(world)
    clock.sleep(120)  # the guest is on and has booted
    shell = SimulatedConnector(world).connect(hypervisor.guest_access(), machine=machine, timeout_s=10)
    check_sampler(lambda: SimulatedSamplerFactory(world).open(shell, machine=machine), clock, wanted=HAS)


# ------------------------------------------------------------------------------------------- the check can fail


class Scripted:
    """A sampler of a machine with one counter, whose clock is the controller's; the arguments break a promise."""

    method = "scripted"

    def __init__(self, clock: VirtualClock, bend: Bend, answered_later_s: float = 0.0, *, closes: bool = True) -> None:
        self._clock, self._bend, self._answered_later_s, self._closes = clock, bend, answered_later_s, closes
        self._taken = 0
        self._closed = False

    def sample(self) -> Sample:
        exchange = self.exchange()
        self._taken += 1
        source_ns = int((exchange.received_s + exchange.answered_s) / 2 * 1e9)
        values = {"cpu.user_ticks": self._taken, "load.1min": 0.5, "ticks_per_s": 100}
        return self._bend(Sample((exchange.sent_s + exchange.back_s) / 2, 0.001, source_ns, values), self._taken)

    def exchange(self) -> Exchange:
        if self._closed and self._closes:
            raise HostFault("closed")
        sent_s = self._clock.monotonic()
        self._clock.sleep(0.001)
        there_s = self._clock.monotonic()
        self._clock.sleep(0.001)
        return Exchange(sent_s, there_s, there_s + self._answered_later_s, self._clock.monotonic())

    def close(self) -> None:
        self._closed = True


Bend = Callable[[Sample, int], Sample]


def sound(sample: Sample, _number: int) -> Sample:
    return sample


def check(bend: Bend, answered_later_s: float = 0.0, *, closes: bool = True) -> None:
    clock = VirtualClock()
    make = partial(Scripted, clock, bend, answered_later_s, closes=closes)
    check_sampler(make, clock, wanted=frozenset({"cpu.user_ticks"}))


def values(**counters: float) -> dict[str, int | float]:
    return {name.replace("__", "."): value for name, value in counters.items()}


BROKEN: dict[str, Bend] = {
    "time lies between": lambda sample, _n: replace(sample, time_s=sample.time_s - 1000),
    "uncertainty is not negative": lambda sample, _n: replace(sample, uncertainty_s=-0.1),
    "clock does not go back": lambda sample, _n: replace(sample, source_ns=-sample.source_ns),
    "same time between two": lambda sample, _n: replace(sample, source_ns=2 * sample.source_ns),
    "are not negative": lambda sample, _n: replace(sample, values=values(cpu__user_ticks=-1)),
    "does not fall": lambda sample, n: replace(sample, values=values(cpu__user_ticks=100 - n)),
    "whole number": lambda sample, n: replace(sample, values=values(cpu__user_ticks=n + 0.5)),
    "missing": lambda sample, n: replace(sample, values=values(cpu__nice_ticks=n)),
    "are more than 0": lambda sample, n: replace(sample, values=values(cpu__user_ticks=n, ticks_per_s=0)),
}


def test_a_sound_sampler_passes() -> None:
    check(sound)


@pytest.mark.parametrize("promise", BROKEN)
def test_each_broken_promise_of_samples_is_found(promise: str) -> None:
    with pytest.raises(AssertionError, match=promise):
        check(BROKEN[promise])


def test_timestamps_out_of_order_are_found() -> None:
    with pytest.raises(AssertionError, match="in order"):
        check(sound, -0.0005)


def test_a_sampler_that_goes_on_after_its_end_is_found() -> None:
    with pytest.raises(AssertionError, match="was closed"):
        check(sound, closes=False)


def counts_run_delay() -> bool:
    """Whether this kernel has SCHED_INFO: without it schedstat is missing or all zeros."""
    path = Path("/proc/self/schedstat")
    return path.exists() and path.read_text().split() != ["0", "0", "0"]
