"""A guest behind the lab's commands, as the engine sees every guest."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from orchestrator.core.design.lab import SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import listed
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import Clock, Description, SavedGuest, Shell
from orchestrator.errors import GuestFault, HostFault, RestoreError, StageError
from orchestrator.hypervisors.command.commands import Commands
from orchestrator.hypervisors.command.machines import Machine
from orchestrator.hypervisors.command.placeholders import values_of
from orchestrator.hypervisors.command.questions import Questions
from orchestrator.hypervisors.command.reading import State
from orchestrator.hypervisors.command.settings import CommandSettings
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds, format_duration, format_size

DEFINITION = "definition"
#: How often a guest that is being switched is looked at.
_LOOK_S: Seconds = 0.5
_ASK_AGAIN_S: Seconds = 5.0
#: Of the time that stopping may take, the part that an orderly shutdown gets where force may follow.
_ORDERLY_SHARE = 0.75
_RESTORE_WITHIN_S: Seconds = 120.0
_TROUBLE: dict[State, str | None] = {
    "running": None,
    "stopped": "it is switched off, and not by this run",
    "paused": "it is paused",
    "crashed": "its kernel has crashed",
}


@dataclass(frozen=True)
class Site:
    """What the lab says of the guest.

    Attributes:
        domain: its name on its hypervisor.
        access: login in the guest.
        host: login on the host, where there is one.
        force_off: whether it may be switched off hard.
    """

    domain: str
    access: SshAccess
    host: SshAccess | None
    force_off: bool


class CommandHypervisor:
    """A :class:`~orchestrator.engine.ports.Hypervisor` made of commands.

    Args:
        settings: the commands and their readers.
        site: the guest.
        machine: where the commands run.
        clock: the controller's.
    """

    name = "command"

    def __init__(self, settings: CommandSettings, site: Site, machine: Machine, clock: Clock) -> None:
        self._settings, self._site, self._machine, self._clock = settings, site, machine, clock
        self._domain = site.domain
        self._commands = Commands(machine, site.domain, settings.limit)
        self._questions = Questions(settings, self._commands)
        self._shape: Shape | None = None
        self.features = settings.shape_features

    # ---------------------------------------------------------------------------------------------- the definition

    def describe(self) -> Description:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return self._questions.describe()

    def save(self) -> SavedGuest:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; refuses a guest that could not be put back as it is."""
        if (state := self._questions.state()) not in {"running", "stopped"}:
            raise HostFault(
                f"guest {self._domain} is {state}, neither running nor stopped; that cannot be put back afterwards, "
                "so have it run or switch it off first"
            )
        return SavedGuest({DEFINITION: self._questions.definition()}, running=state == "running")

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:  # noqa: ARG002 - the lab's commands ask the guest
        """What the lab's commands for it print, first line of each."""
        return self._questions.facts()

    def refusal(self, shape: Shape) -> str | None:
        """What the commands have no arguments for, or ``describe`` says is too much; only they know the rest."""
        if unable := sorted(shape.extras - self.features):
            return (
                f"shape {shape.name} asks for {listed(unable)}, and the lab's reshape has no arguments for that; "
                "add them there, or leave it out of the shape"
            )
        if self._settings.describe.max_vcpus is None and self._settings.describe.max_memory is None:
            return None
        known = self.describe()
        if known.max_vcpus is not None and shape.vcpus > known.max_vcpus:
            return f"shape {shape.name} asks for {shape.vcpus} vCPUs; describe says that {known.max_vcpus} are the most"
        if known.max_memory is not None and shape.memory > known.max_memory:
            return (
                f"shape {shape.name} asks for {format_size(shape.memory)}; "
                f"describe says that {format_size(known.max_memory)} is the most"
            )
        return None

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`: the saved definition first, and the shape upon it."""
        if (refused := self.refusal(shape)) is not None:
            raise HostFault(refused)
        if (state := self._questions.state()) != "stopped":
            raise HostFault(f"guest {self._domain} is {state}; it is reshaped only while it is stopped")
        self._put(saved.files[DEFINITION])
        declared = self._settings.reshape
        argv = (*declared.command, *self._settings.extra_arguments(sorted(shape.extras)))
        self._commands.run("reshape", argv, values=values_of(shape))
        self._shape = shape
        self._insist_on_size(shape, "reshape", vcpus=shape.reshape == "cold")

    def _put(self, definition: bytes) -> None:
        """Make the guest, which is off, what the definition says; nothing is done where it is that already."""
        if self._questions.definition() == definition:
            return
        self._commands.run("restore", self._settings.restore, data=definition)
        if self._questions.definition() != definition:
            raise HostFault(
                "restore: the command reported success, but what save prints now differs from what it was given; "
                "save has to print the same bytes for the same definition"
            )

    def _insist_on_size(self, shape: Shape, what: str, *, vcpus: bool) -> None:
        """Refuse a command that reported success and did something else."""
        found = self.describe()
        if (vcpus and found.vcpus != shape.vcpus) or found.memory != shape.memory:
            raise HostFault(
                f"{what}: the command reported success, but describe shows {found.vcpus} vCPUs and "
                f"{format_size(found.memory)} where shape {shape.name} has {shape.vcpus} and "
                f"{format_size(shape.memory)}; see whether it sets what it is given, and whether describe reads that"
            )

    def restore(self, saved: SavedGuest) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        definition = saved.files.get(DEFINITION)
        if definition is None:
            raise RestoreError(f"the saved definition of guest {self._domain} has no file {DEFINITION!r}")
        try:
            as_it_was = saved.running and self._questions.state() == "running"
            if not (as_it_was and self._questions.definition() == definition):
                self.stop(_RESTORE_WITHIN_S)
                self._put(definition)
            if saved.running and not self._is_on():
                self.start()
        except StageError as error:
            raise RestoreError(str(error), may_pass=error.may_pass) from error

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:
        """The lab's own commands, where the lab has them run; harmless where the guest is off already."""
        settings, typed = self._settings, self._commands.typed
        force = settings.force_off if self._site.force_off else None
        wait = f"# go on once this says that it is off: {typed(settings.describe.command)}"
        off = [typed(settings.stop), wait] if force is None else [typed(force)]
        steps = [*off, f"{typed(settings.restore)} < {shlex.quote(f'{folder}/{DEFINITION}')}"]
        return [*steps, typed(settings.start)] if saved.running else steps

    # ------------------------------------------------------------------------------------------------------- power

    def start(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        self._commands.run("start", self._settings.start)
        if not self._becomes(self._settings.limit, on=True):
            raise HostFault(
                f"start: the command reported success, but {format_duration(self._settings.limit)} later "
                f"guest {self._domain} is still stopped"
            )

    def plug(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        shape, argv = self._shape, self._settings.plug
        if shape is None or argv is None:
            raise HostFault("plug: the guest has not been given a shape with reshape: live")
        self._commands.run("plug", argv, values=values_of(shape))
        self._insist_on_size(shape, "plug", vcpus=True)

    def trouble(self) -> str | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return _TROUBLE[self._questions.state()]

    def stop(self, timeout_s: Seconds) -> None:
        """In order at first; hard for the last quarter of the time, where the lab allows that."""
        if not self._is_on():
            return
        until_s = self._clock.monotonic() + timeout_s
        force = self._settings.force_off if self._site.force_off else None
        orderly_s = timeout_s * _ORDERLY_SHARE if force is not None else timeout_s
        try:
            self._shut_down(orderly_s)
        except StageError:
            if force is None:
                raise
            self._commands.run("force-off", force)
            if not self._becomes(max(until_s - self._clock.monotonic(), self._settings.limit), on=False):
                raise HostFault(
                    f"force-off: the command reported success, but guest {self._domain} is still switched on"
                ) from None

    def _shut_down(self, within_s: Seconds) -> None:
        """Ask the guest to go off, and see it go; it is asked again from time to time, for it may have been booting."""
        until_s = self._clock.monotonic() + within_s
        limit_s = min(self._settings.limit, max(within_s, 1.0))
        try:
            self._commands.run("stop", self._settings.stop, limit_s=limit_s)
        except HostFault as error:
            if not error.may_pass and self._is_on():  # else it is asked again, or went off by itself just now
                raise
        while not self._becomes(min(_ASK_AGAIN_S, until_s - self._clock.monotonic()), on=False):
            if self._clock.monotonic() >= until_s:
                raise GuestFault(
                    f"guest {self._domain} did not shut down within {format_duration(within_s)}, "
                    f"it is {self._questions.state()}; {self._advice()}"
                )
            with suppress(HostFault):  # that it is going off already may be an error to the command
                self._commands.run("stop", self._settings.stop, limit_s=limit_s)

    def _advice(self) -> str:
        if self._settings.force_off is None:
            return "the lab's host has no force-off command, which would switch it off hard"
        return "force-off: true of the guest in the lab would have it switched off hard"

    def _is_on(self) -> bool:
        return self._questions.state() != "stopped"

    def _becomes(self, within_s: Seconds, *, on: bool) -> bool:
        """Whether the guest is seen on, or off, in time; looks once at least."""
        until_s = self._clock.monotonic() + within_s
        while self._is_on() != on:
            left_s = until_s - self._clock.monotonic()
            if left_s <= 0:
                return False
            self._clock.sleep(min(_LOOK_S, left_s))
        return True

    # ---------------------------------------------------------------------------------------------------- counters

    def counters(self) -> Sample:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; the reading lies anywhere within the command's run."""
        if self._settings.counters.state is None:
            self._insist_it_runs(self._questions.state())
        sent_s = self._clock.monotonic()
        try:
            counted = self._questions.count()
        except HostFault:
            self._insist_it_runs(self._questions.state())  # that the guest has gone is the better reason
            raise
        back_s = self._clock.monotonic()
        self._insist_it_runs(counted.state or "running")
        time_s = (sent_s + back_s) / 2
        source_ns = int(time_s * NANOSECONDS_PER_SECOND) if counted.clock_ns is None else counted.clock_ns
        return Sample(time_s, (back_s - sent_s) / 2, source_ns, counted.values)

    def _insist_it_runs(self, state: State) -> None:
        if state != "running":
            raise GuestFault(f"guest {self._domain} is {state}: its counters do not move")

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:  # noqa: ARG002 - nobody is asked
        """None: the lab's commands name no threads."""
        return {}

    # ------------------------------------------------------------------------------------------------------- logins

    def guest_access(self) -> SshAccess:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return self._site.access

    def host_access(self) -> SshAccess | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return self._site.host

    def guest_root(self) -> str:
        """The guest is a machine of its own."""
        return ""

    def close(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        self._machine.close()
