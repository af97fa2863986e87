"""Counters of the simulated host and guest, as their kernels would show them in ``/proc``."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample, Value
from orchestrator.engine.ports import Shell
from orchestrator.errors import HostFault
from orchestrator.hypervisors.simulated.shell import SimulatedShell
from orchestrator.hypervisors.simulated.world import LATENCY_S, SimulatedWorld
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds

#: USER_HZ of Linux on the usual architectures.
TICKS_PER_S = 100
_SILENT_AFTER_S: Seconds = 10.0
_FIELDS = ("user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal", "guest", "guest_nice")


class SimulatedSampler:
    """A :class:`~orchestrator.engine.ports.Sampler` over a login of the simulation."""

    method = "simulated"

    def __init__(self, world: SimulatedWorld, shell: SimulatedShell, machine: str) -> None:
        self._world, self._shell, self._machine = world, shell, machine
        self._closed = False

    def sample(self) -> Sample:
        """One reading; it takes a round trip."""
        read_s = self._there()
        values = self._guest(read_s) if self._machine == "guest" else self._host(read_s)
        self._world.clock.sleep(LATENCY_S)
        return Sample(read_s, LATENCY_S, int(self._source_s(read_s) * NANOSECONDS_PER_SECOND), values)

    def exchange(self) -> Exchange:
        """Four timestamps over a symmetric path: the offset they give is the true one."""
        sent_s = self._world.clock.monotonic()
        there_s = self._source_s(self._there())
        self._world.clock.sleep(LATENCY_S)
        return Exchange(sent_s, there_s, there_s, self._world.clock.monotonic())

    def close(self) -> None:
        """End the sampling."""
        self._closed = True

    def _there(self) -> Seconds:
        """Send a request. Returns the controller's time at which the machine gets it."""
        if self._closed:
            raise HostFault(f"the sampler of the simulated {self._machine} was closed")
        self._shell.reach(_SILENT_AFTER_S)
        self._world.clock.sleep(LATENCY_S)
        return self._world.settle()

    def _source_s(self, at_s: Seconds) -> Seconds:
        return self._world.guest_clock_s(at_s) if self._machine == "guest" else self._world.host_clock_s(at_s)

    def _guest(self, at_s: Seconds) -> dict[str, Value]:
        vcpus, queued_s = self._world.guest_seconds(at_s)
        load = self._world.guest_load
        values: dict[str, Value] = {}
        for name, run_s, wait_s, idle_s in _with_total(vcpus):
            _put(values, name, (run_s, 0, 0, idle_s, 0, 0, 0, wait_s, 0, 0))
        return _with_load(values, load.at(at_s), load.runnable, queued_s)

    def _host(self, at_s: Seconds) -> dict[str, Value]:
        guest_s, neighbours_s, waited_s, up_s = self._world.host_seconds(at_s)
        cpus, load = self._world.settings.cpus, self._world.host_load
        busy_s = guest_s + neighbours_s
        values: dict[str, Value] = {}
        _put(values, "cpu", (busy_s, 0, 0, cpus * up_s - busy_s, 0, 0, 0, 0, guest_s, 0))
        each = (busy_s / cpus, 0, 0, up_s - busy_s / cpus, 0, 0, 0, 0, guest_s / cpus, 0)
        for cpu in range(cpus):
            _put(values, f"cpu{cpu}", each)
        if (warm_c := self._world.temperature_c) is not None:
            values["zone0.millicelsius"] = int(warm_c * 1000)
            # As often as the kernel's driver can count: once a second, on each CPU.
            throttles = int(self._world.throttled_s(at_s))
            values.update({f"cpu{cpu}.throttles": throttles for cpu in range(cpus)})
        return _with_load(values, load.at(at_s), load.runnable, waited_s)


class SimulatedSamplerFactory:
    """A :class:`~orchestrator.engine.ports.SamplerFactory` for one simulation."""

    def __init__(self, world: SimulatedWorld) -> None:
        self._world = world

    def open(self, shell: Shell, *, machine: str, root: str = "", threads: Sequence[str] = ()) -> SimulatedSampler:
        """Start a sampler; single threads of the host are not simulated."""
        del root, threads
        if not isinstance(shell, SimulatedShell):
            raise HostFault("counters of a simulated machine are read over a simulated login")
        shell.reach(_SILENT_AFTER_S)
        return SimulatedSampler(self._world, shell, machine)


def _with_total(vcpus: list[tuple[Seconds, Seconds, Seconds]]) -> list[tuple[str, Seconds, Seconds, Seconds]]:
    run_s, wait_s, idle_s = (sum(column) for column in zip(*vcpus, strict=True))
    return [("cpu", run_s, wait_s, idle_s), *((f"cpu{n}", *vcpu) for n, vcpu in enumerate(vcpus))]


@cache
def _names(cpu: str) -> tuple[str, ...]:
    return tuple(f"{cpu}.{field}_ticks" for field in _FIELDS)


def _put(values: dict[str, Value], cpu: str, seconds: tuple[Seconds, ...]) -> None:
    values.update(zip(_names(cpu), [int(spent_s * TICKS_PER_S) for spent_s in seconds], strict=True))


def _with_load(values: dict[str, Value], average: float, runnable: float, waited_s: Seconds) -> dict[str, Value]:
    values["ticks_per_s"] = TICKS_PER_S
    values["load.1min"] = round(average, 2)
    values["load.runnable"] = int(runnable)
    values["pressure.cpu_some_us"] = int(waited_s * 1_000_000)
    return values
