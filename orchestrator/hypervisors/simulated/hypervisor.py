"""The simulated hypervisor, bound to its one guest."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from orchestrator.core.design.lab import SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample, Value
from orchestrator.engine.ports import Description, SavedGuest, Shell
from orchestrator.errors import GuestFault, HostFault, RestoreError, StageError
from orchestrator.hypervisors.simulated.model import truth
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.hypervisors.simulated.world import LATENCY_S, SimulatedWorld
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds, format_duration, format_size

KIND = "simulated guest"
#: Topology is missing: the model has no caches and no sibling threads, so it would change nothing.
FEATURES = frozenset({"quota", "pin", "live"})
_DEFINITION = "guest.json"
#: What else decides how fast a model host is; told where it is not as usual.
_MADE_OF = ("rate", "busy", "serial", "coherence", "cost_per_extra_vcpu")
_CALL_S: Seconds = 0.05
_RESTORE_WITHIN_S: Seconds = 120.0


class SimulatedHypervisor:
    """A :class:`~orchestrator.engine.ports.Hypervisor` over a :class:`SimulatedWorld`."""

    name = "simulated"
    features = FEATURES

    def __init__(self, world: SimulatedWorld) -> None:
        self._world = world

    def describe(self) -> Description:
        """The guest as it is defined now."""
        world, settings = self._world, self._world.settings
        world.settle()
        return Description(
            kind=KIND,
            vcpus=world.shape.vcpus,
            memory=world.shape.memory,
            running=world.running,
            host_cpus=settings.cpus,
            max_vcpus=settings.cpus if settings.gang else None,
            max_memory=settings.memory,
            remarks=(
                "simulated: every figure comes from a model and none from a machine",
                f"model host of {settings.cpus} CPUs with {settings.neighbours} CPU-bound neighbours, "
                f"{'gang' if settings.gang else 'proportional-share'} scheduling, seed {settings.seed}",
            ),
        )

    def save(self) -> SavedGuest:
        """Definition and power state."""
        self._world.settle()
        return SavedGuest({_DEFINITION: _write(self._world.shape)}, self._world.running)

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:  # noqa: ARG002 - the owner's guest is its shape
        """What the model is made of, chance left out; no other guest runs there."""
        settings = self._world.settings
        stock = SimulatedSettings()
        changed = [name for name in _MADE_OF if getattr(settings, name) != getattr(stock, name)]
        made_of = [f"{settings.cpus} CPUs", f"{settings.neighbours} CPU-bound neighbours"]
        made_of.append("gang scheduling" if settings.gang else "proportional-share scheduling")
        made_of += [f"{name.replace('_', ' ')} {getattr(settings, name):g}" for name in changed]
        return {"acceleration": "none: a model", "model": ", ".join(made_of), "other_guests": "0"}

    def refusal(self, shape: Shape) -> str | None:
        """What the model host cannot give; its declared faults are not foretold."""
        settings = self._world.settings
        if missing := shape.extras - self.features:
            return (
                f"the driver simulated does not model {', '.join(sorted(missing))}; "
                f"leave it out of shape {shape.name!r}"
            )
        if outside := [cpu for cpu in shape.pin or () if cpu >= settings.cpus]:
            return f"shape {shape.name!r} is pinned to CPU {outside[0]}; the host has CPUs 0 to {settings.cpus - 1}"
        if shape.memory > settings.memory:
            return (
                f"shape {shape.name!r} asks for {format_size(shape.memory)}; "
                f"the host can give {format_size(settings.memory)}"
            )
        try:
            truth(settings, shape, shape.vcpus)
        except ValueError as error:
            return f"shape {shape.name!r} cannot run: {error}"
        return None

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:  # noqa: ARG002 - a simulated guest is its shape and nothing else
        """Give the guest this shape."""
        world = self._world
        world.settle()
        world.clock.sleep(_CALL_S)
        if world.running:
            raise HostFault("the simulated guest is running; it is reshaped while it is off")
        world.begin_trial()
        if world.mishaps.strikes("refuses-reshape"):
            raise HostFault("simulated fault: the hypervisor refused the definition", may_pass=True)
        if (refused := self.refusal(shape)) is not None:
            raise HostFault(refused)
        world.define(shape)

    def start(self) -> None:
        """Power on."""
        world = self._world
        world.settle()
        world.clock.sleep(_CALL_S)
        if world.running:
            raise HostFault("the simulated guest is running already")
        if world.mishaps.strikes("refuses-start"):
            raise HostFault("simulated fault: the hypervisor did not start the guest", may_pass=True)
        world.power_on()

    def plug(self) -> None:
        """The vCPUs appear in the guest, offline as on a real machine."""
        world = self._world
        world.settle()
        world.clock.sleep(_CALL_S)
        if not world.running or world.shape.reshape != "live":
            raise HostFault("the simulated guest takes further vCPUs only while it runs, with a shape of reshape: live")
        world.plug()

    def trouble(self) -> str | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        self._world.settle()
        return None if self._world.running else "it is off"

    def stop(self, timeout_s: Seconds) -> None:
        """Shut down; harmless when it is off."""
        world = self._world
        world.settle()
        world.end_trial()
        if not world.running:
            return
        takes_s = world.settings.shut_down
        if takes_s <= timeout_s and not world.mishaps.strikes("will-not-stop"):
            world.clock.sleep(takes_s)
            world.power_off()
            return
        world.clock.sleep(timeout_s)
        if not world.force_off:
            raise GuestFault(
                f"the guest did not shut down within {format_duration(timeout_s)}; "
                "force-off: true in the lab would switch it off hard"
            )
        world.power_off()

    def counters(self) -> Sample:
        """Run and wait of each vCPU; it takes a round trip."""
        world = self._world
        world.clock.sleep(LATENCY_S)
        read_s = world.settle()
        if not world.running:
            raise GuestFault("the simulated guest is off and has no counters")
        values: dict[str, Value] = {}
        for vcpu, (run_s, wait_s) in enumerate(world.vcpu_seconds(read_s)):
            values[f"vcpu.{vcpu}.run_ns"] = int(run_s * NANOSECONDS_PER_SECOND)
            if world.wait_is_counted:
                values[f"vcpu.{vcpu}.wait_ns"] = int(wait_s * NANOSECONDS_PER_SECOND)
        world.clock.sleep(LATENCY_S)
        return Sample(read_s, LATENCY_S, int(world.host_clock_s(read_s) * NANOSECONDS_PER_SECOND), values)

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:  # noqa: ARG002 - nobody is asked
        """None: a vCPU of the model is no thread."""
        return {}

    def guest_access(self) -> SshAccess:
        """A name that no network knows."""
        return SshAccess(address="guest.simulated.example", user="bench")

    def host_access(self) -> SshAccess | None:
        """A name that no network knows."""
        return SshAccess(address="host.simulated.example", user="bench")

    def guest_root(self) -> str:
        """The guest is a machine of its own."""
        return ""

    def restore(self, saved: SavedGuest) -> None:
        """Put definition and power state back."""
        world = self._world
        world.settle()
        try:
            shape = _read(saved.files[_DEFINITION])
            if world.running and not (saved.running and shape == world.shape):
                self.stop(_RESTORE_WITHIN_S)
            world.define(shape)
            if saved.running and not world.running:
                self.start()
        except (KeyError, TypeError, ValueError, StageError) as error:
            raise RestoreError(f"the simulated guest could not be put back: {error}") from error

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:  # noqa: ARG002 - nothing is left of it
        """Nothing: a simulation ends with its run."""
        return ()

    def close(self) -> None:
        """There is nothing to let go of."""


def _write(shape: Shape) -> bytes:
    return (json.dumps(shape.model_dump(mode="json"), indent=2, sort_keys=True) + "\n").encode()


def _read(definition: bytes) -> Shape:
    """The shape that :func:`_write` wrote. Raises KeyError, TypeError or ValueError when it is none."""
    facts = json.loads(definition)
    pin = facts["pin"]
    return Shape.model_construct(
        name=facts["name"],
        vcpus=facts["vcpus"],
        memory=facts["memory"],
        quota=facts["quota"],
        pin=tuple(pin) if pin is not None else None,
        reshape=facts.get("reshape", "cold"),
    )
