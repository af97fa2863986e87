"""The state of the simulation: one host, its guest, the load in it, and the clocks. It moves with the clock alone."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Clock
from orchestrator.hypervisors.simulated.ledger import Ledger, LoadAverage
from orchestrator.hypervisors.simulated.mishaps import Mishaps
from orchestrator.hypervisors.simulated.model import Truth, truth
from orchestrator.hypervisors.simulated.noise import Operations
from orchestrator.hypervisors.simulated.settings import FaultKind, OtherLoad, SimulatedSettings
from orchestrator.units import Seconds

#: One way between controller and host or guest: a local network's.
LATENCY_S: Seconds = 0.0005
#: The host has been up for so long when the simulation begins, so that its clock is not the controller's.
HOST_OFFSET_S: Seconds = 86_400.0


@dataclass(eq=False)
class Load:
    """One launch of the workload.

    Attributes:
        operations: what it does, second by second.
        strikes: when which fault strikes it, in controller time.
        ended_s: when it stopped working, for whatever reason; infinite while it works.
    """

    launched_s: Seconds
    threads: int
    operations: Operations
    strikes: dict[FaultKind, Seconds]
    ended_s: Seconds = math.inf
    due: list[tuple[Seconds, FaultKind]] = field(init=False)

    def __post_init__(self) -> None:
        self.due = sorted((at_s, kind) for kind, at_s in self.strikes.items())


class SimulatedWorld:
    """A host with neighbours and one guest.

    Args:
        settings: the model.
        clock: moved by everything that takes time; usually a :class:`~orchestrator.engine.virtual_clock.VirtualClock`.
        force_off: whether a guest that does not shut down in time is switched off hard.

    Attributes:
        shape: the guest as defined now.
        running: power state.
        session: changes whenever every login in the guest is lost.
    """

    def __init__(self, settings: SimulatedSettings, clock: Clock, *, force_off: bool = False) -> None:
        self.settings, self.clock, self.force_off = settings, clock, force_off
        self.mishaps = Mishaps(settings.faults)
        self.shape = defined_shape(settings)
        self.running = False
        self.session = 0
        self.silent_s = math.inf
        self.answers_from_s = math.inf
        self.powered_on_s: Seconds = 0.0
        self.online = 0
        self._comes_online = 0
        self._plugged = True
        self.memory_kib = 0
        self.wait_is_counted = True
        self._loads: list[Load] = []
        self._frozen_s = math.inf
        self._replicates: Counter[str] = Counter()
        self._in_trial = False
        now_s = clock.monotonic()
        self._begun_s = now_s
        self._turns = sorted({end_s for load in settings.other_load for end_s in (load.from_, load.until)})
        self._model = settings
        self._others: tuple[OtherLoad, ...] = ()
        self._heat = Ledger(now_s, [0.0])
        self._vcpus = Ledger(now_s, [])
        self._guest_stat = Ledger(now_s, [])
        self._host = Ledger(now_s, self._host_rates(None))
        self._since_s = now_s
        self.host_load = LoadAverage(now_s, settings.neighbours)
        self.guest_load = LoadAverage(now_s, 0)
        self._turn_up_to(now_s)
        if settings.defined.running:
            self.power_on()
            self.answers_from_s = now_s

    # ------------------------------------------------------------------------------------------------------- power

    def define(self, shape: Shape) -> None:
        """Give the guest another shape. Raises ValueError when it can never run on this host."""
        truth(self.settings, shape, shape.vcpus)
        self.shape = shape

    def begin_trial(self) -> None:
        """The guest is reshaped: a trial begins, unless this is another attempt within it."""
        if not self._in_trial:
            self.mishaps.next_trial()
            self._in_trial = True

    def end_trial(self) -> None:
        """The guest is told to stop, on or off: the trial in hand is over."""
        self._in_trial = False

    def power_on(self, at_s: Seconds | None = None) -> None:
        """Start the guest."""
        now_s = self.clock.monotonic() if at_s is None else at_s
        self._turn_up_to(now_s)
        strikes = self.mishaps.strikes
        self.running = True
        self.session += 1
        self.silent_s = self._frozen_s = math.inf
        self.powered_on_s = now_s
        self.answers_from_s = math.inf if strikes("does-not-boot") else now_s + self.settings.boot
        self._comes_online = max(self.shape.vcpus - (1 if strikes("fewer-cpus") else 0), 1)
        self._plugged = self.shape.reshape == "cold"
        self.online = self._comes_online if self._plugged else 1
        # A kernel keeps some memory to itself before it counts what there is: 3 % is usual.
        self.memory_kib = int(self.shape.memory * (0.5 if strikes("less-memory") else 0.97)) // 1024
        self.wait_is_counted = strikes("counter-missing") is None
        rates = self._vcpu_rates(self._truth())
        self._vcpus = Ledger(now_s, rates)
        self._guest_stat = Ledger(now_s, [*rates, 0.0])
        self.guest_load = LoadAverage(now_s, 0)
        self._settle_load(now_s)

    def plug(self) -> None:
        """The vCPUs beyond the first appear in the running guest, offline. The host has counted them all along."""
        self._plugged = True

    def bring_online(self) -> None:
        """Somebody in the guest brings online whatever CPUs it has."""
        if self._plugged:
            self.online = self._comes_online

    def power_off(self) -> None:
        """Switch the guest off."""
        self._turn_up_to(self.clock.monotonic())
        self._unload_all(self.clock.monotonic())
        self.running = False
        self.session += 1
        self.answers_from_s = math.inf
        now_s = self.clock.monotonic()
        self._host.change(now_s, self._host_rates(None))
        self.host_load.change(now_s, self._model.neighbours)

    # -------------------------------------------------------------------------------------------------------- load

    def launch(self, argv: Sequence[str], threads: int) -> Load:
        """Put a load on the guest; its chance depends on shape, command and how often this pair was launched before.

        Loads side by side are all counted in the vCPUs' time; what each of them does is what it would do alone.
        """
        name = self._next_replicate(self.shape.name, argv)
        launched_s = self.clock.monotonic()
        self._turn_up_to(launched_s)
        steady = truth(self._model, self.shape, threads).rate
        operations = Operations(self.settings, steady, name)
        load = Load(launched_s, threads, operations, self.mishaps.in_flight(launched_s))
        self._loads.append(load)
        self._settle_load(launched_s)
        return load

    def skip(self, shape: str, command: Sequence[str] | None) -> None:
        """A trial of this run is done already, from before it was interrupted: chance and faults go on after it.

        Args:
            shape: name of the trial's shape.
            command: of the load; ``None`` where the trial ended before its launch.
        """
        self.mishaps.next_trial()
        if command is not None:
            self._next_replicate(shape, command)

    def _next_replicate(self, shape: str, command: Sequence[str]) -> str:
        cell = "\x1f".join((shape, *command))
        self._replicates[cell] += 1
        return f"{cell}\x1f{self._replicates[cell]}"

    def unload(self, load: Load, at_s: Seconds) -> None:
        """The load ends; harmless where it has ended before."""
        if load in self._loads:
            load.ended_s = at_s
            self._loads.remove(load)
            self._settle_load(at_s)

    def settle(self) -> Seconds:
        """Let everything happen that is due by now. Returns now, in controller time."""
        now_s = self.clock.monotonic()
        while self._loads:
            load = min(self._loads, key=lambda each: each.due[0][0] if each.due else math.inf)
            if not load.due or load.due[0][0] > now_s:
                break
            self._turn_up_to(load.due[0][0])
            self._happen(load, *load.due.pop(0))
        self._turn_up_to(now_s)
        return now_s

    def _turn_up_to(self, now_s: Seconds) -> None:
        """Let other load of the host come and go, in order, up to a moment at which nothing else has changed yet."""
        while self._turns and self._begun_s + self._turns[0] <= now_s:
            self._turn(self._turns.pop(0))

    def _turn(self, since_s: Seconds) -> None:
        at_s = self._begun_s + since_s
        self._others = tuple(load for load in self.settings.other_load if load.from_ <= since_s < load.until)
        neighbours = self.settings.neighbours + sum(load.loops for load in self._others)
        self._model = self.settings.model_copy(update={"neighbours": neighbours})
        self._heat.change(at_s, [1.0 if any(load.throttled for load in self._others) else 0.0])
        if not self.running:
            self._host.change(at_s, self._host_rates(None))
            self.host_load.change(at_s, neighbours)
            return
        self._settle_load(at_s)
        for load in self._loads:
            load.operations.change(at_s - load.launched_s, truth(self._model, self.shape, load.threads).rate)

    def _happen(self, load: Load, at_s: Seconds, kind: FaultKind) -> None:
        match kind:
            case "drops-line":
                self.session += 1
                self._unload_all(at_s)
            case "reboots":
                self._unload_all(at_s)
                self.power_on(at_s)
            case "falls-silent":
                self.silent_s = at_s
            case "clock-frozen":
                self._frozen_s = at_s
            case "counter-falls":
                self._vcpus = Ledger(at_s, self._vcpu_rates(self._truth()))
            case "workload-exits" | "workload-hangs":
                self.unload(load, at_s)
            case _:
                pass  # what a load prints is the process's affair

    def _unload_all(self, at_s: Seconds) -> None:
        for load in self._loads.copy():
            self.unload(load, at_s)

    # ---------------------------------------------------------------------------------------------------- counters

    def vcpu_seconds(self, at_s: Seconds) -> list[tuple[Seconds, Seconds]]:
        """Run and wait of each vCPU since power-on, as the host counts them."""
        flat = self._vcpus.at(at_s)
        return list(zip(flat[::2], flat[1::2], strict=True))

    def guest_seconds(self, at_s: Seconds) -> tuple[list[tuple[Seconds, Seconds, Seconds]], Seconds]:
        """Run, wait and idle of each vCPU since power-on, and the time in which a thread queued in the guest."""
        *flat, queued_s = self._guest_stat.at(at_s)
        up_s = at_s - self.powered_on_s
        return [(run, wait, up_s - run - wait) for run, wait in zip(flat[::2], flat[1::2], strict=True)], queued_s

    def host_seconds(self, at_s: Seconds) -> tuple[Seconds, Seconds, Seconds, Seconds]:
        """CPU time of guest and of neighbours, time in which something waited, and time since the beginning."""
        guest_s, neighbours_s, waited_s = self._host.at(at_s)
        return guest_s, neighbours_s, waited_s, at_s - self._since_s

    @property
    def temperature_c(self) -> float | None:
        """Of the host's thermal zone, in degrees Celsius; ``None`` where it has none."""
        known = [load.temperature for load in self._others if load.temperature is not None]
        return max(known) if known else self.settings.temperature

    def throttled_s(self, at_s: Seconds) -> Seconds:
        """For how long the host's CPUs have been throttled since the beginning."""
        return self._heat.at(at_s)[0]

    def _threads(self) -> int:
        return sum(load.threads for load in self._loads)

    def _truth(self) -> Truth:
        return truth(self._model, self.shape, self._threads())

    def _settle_load(self, at_s: Seconds) -> None:
        threads, now = self._threads(), self._truth()
        active = min(threads, self.shape.vcpus)
        rates = self._vcpu_rates(now)
        self._vcpus.change(at_s, rates)
        self._guest_stat.change(at_s, [*rates, 1.0 if threads * self.settings.busy > active else 0.0])
        self._host.change(at_s, self._host_rates(now))
        self.host_load.change(at_s, self._model.neighbours + active)
        self.guest_load.change(at_s, threads)

    def _host_rates(self, now: Truth | None) -> list[float]:
        neighbours = self._model.neighbours
        if now is None:
            everything = min(neighbours, self.settings.cpus)
            return [0.0, everything, min(neighbours - everything, 1.0)]
        waiting = sum(now.wait) + neighbours - now.neighbours_run
        return [sum(now.run), now.neighbours_run, min(max(waiting, 0.0), 1.0)]

    @staticmethod
    def _vcpu_rates(now: Truth) -> list[float]:
        return [rate for pair in zip(now.run, now.wait, strict=True) for rate in pair]

    # ------------------------------------------------------------------------------------------------------ clocks

    def guest_clock_s(self, at_s: Seconds) -> Seconds:
        """The guest's monotonic clock at a moment of the controller's."""
        clock = self.settings.guest_clock
        return clock.offset + (min(at_s, self._frozen_s) - self.powered_on_s) * (1 + clock.fast)

    def host_clock_s(self, at_s: Seconds) -> Seconds:
        """The host's monotonic clock at a moment of the controller's."""
        return at_s + HOST_OFFSET_S

    @property
    def up_s(self) -> Seconds:
        """For how long the guest has been up, by its own clock."""
        return self.guest_clock_s(self.clock.monotonic()) - self.settings.guest_clock.offset

    @property
    def boot_id(self) -> str:
        """New at each boot, as the kernel's is."""
        digest = hashlib.sha256(
            f"{self.settings.seed}/{self.clock.now() - self.clock.monotonic() + self.powered_on_s:.6f}".encode()
        ).hexdigest()
        return "-".join((digest[:8], digest[8:12], digest[12:16], digest[16:20], digest[20:32]))


def defined_shape(settings: SimulatedSettings) -> Shape:
    """The guest as it is found."""
    return Shape.model_construct(name="as-found", vcpus=settings.defined.vcpus, memory=settings.defined.memory)
