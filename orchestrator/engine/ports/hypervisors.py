"""A way of running guests, bound to one of them, and what a driver's package registers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.declared import Declared
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports.clock import Clock
from orchestrator.engine.ports.counters import SamplerFactory
from orchestrator.engine.ports.shells import Connector, Shell
from orchestrator.units import Bytes, Seconds

LeftBehind: TypeAlias = Literal["nothing", "marked", "unmarked"]
"""What a run that was killed leaves: nothing, where its guests end with the program; a guest that says so itself, by
:attr:`Description.shaped_as`; or one that cannot be told from its owner's."""


@dataclass(frozen=True)
class Description:
    """What a driver knows about a guest.

    Attributes:
        kind: what its guests are called in every table and report: ``virtual machine``, ``process guest, not a VM``.
        vcpus, memory: the size as defined now.
        running: power state.
        host_cpus: physical CPUs (as the host counts them) that the guest can run on.
        max_vcpus, max_memory: what this host can give at most; ``None`` where there is no limit known.
        remarks: what the reader of a report has to know about such a guest.
        shaped_as: the shape of a run, where its definition is still that and not its owner's; ``None`` also where the
            driver cannot tell.
        runs_as_defined: whether a guest that runs is the machine that its next start would give; ``True`` also where
            the driver cannot tell.
    """

    kind: str
    vcpus: int
    memory: Bytes
    running: bool
    host_cpus: int
    max_vcpus: int | None = None
    max_memory: Bytes | None = None
    remarks: tuple[str, ...] = ()
    shaped_as: str | None = None
    runs_as_defined: bool = True


@dataclass(frozen=True)
class SavedGuest:
    """A guest's full definition and power state, enough to put it back exactly.

    Attributes:
        files: name to content, stored under ``before/``.
        running: power state when it was saved.
    """

    files: Mapping[str, bytes]
    running: bool


class Hypervisor(Protocol):
    """A driver, bound to one guest of one host. Errors are HostFault unless said otherwise.

    The engine calls in this order: ``describe`` and ``refusal`` (any time), ``save`` before the first change, then for
    each trial ``stop`` (if running), ``reshape``, ``start``, ``plug`` (for a shape with ``reshape: live``, once the
    guest can be logged in to), ``facts`` (once a run), ``counters`` many times, ``stop``; at the end ``restore``,
    ``close``.
    """

    name: str
    features: frozenset[str]
    """Which of a shape's optional features it can give: among :data:`~orchestrator.core.design.shape.FEATURES`."""

    def describe(self) -> Description:
        """What the guest is now; changes nothing."""

    def save(self) -> SavedGuest:
        """The guest's full definition; changes nothing."""

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:
        """What is kept beside the results: hypervisor, machine type, disks; changes nothing.

        Keys are among :data:`~orchestrator.core.record.facts.HYPERVISOR_FACTS`; what the driver does not know is
        ``None``, or no key. Nothing in it depends on the shape that the guest has just now.

        Args:
            saved: the guest as it was before the run: what its owner set, and shapes may leave or take.
        """

    def refusal(self, shape: Shape) -> str | None:
        """Why :meth:`reshape` would refuse this shape, in words that name it; changes nothing.

        Asked before the first change, whether the guest is on or off, of every shape of a plan. ``None`` says that
        nothing known beforehand speaks against it. What is refused here, :meth:`reshape` refuses as well.

        Raises:
            HostFault: it cannot be told, since the host does not answer.
        """

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        """Define the guest as it was saved, but with this shape; it is off when this is called.

        What the guest was before this call does not matter: the same shape always gives the same definition.
        """

    def start(self) -> None:
        """Power on; returns before the guest can be logged in to."""

    def plug(self) -> None:
        """Give the running guest the vCPUs that its shape has beyond those it booted with (``reshape: live``)."""

    def stop(self, timeout_s: Seconds) -> None:
        """Shut down in order; returns when the guest is off. Raises GuestFault when it does not go in time."""

    def trouble(self) -> str | None:
        """What the hypervisor knows to be wrong with a guest that should be running.

        Such as ``it is paused``, ``its kernel has crashed`` or ``it was switched off from outside``; ``None`` where it
        runs. Asked once a guest has fallen silent, to say why.
        """

    def counters(self) -> Sample:
        """Cumulative counters per vCPU (``vcpu.N.run_ns``, ``vcpu.N.wait_ns``).

        Raises:
            HostFault: the host does not answer, or does not count.
            GuestFault: the guest is not running (see :meth:`trouble`).
        """

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:
        """Each vCPU's thread on the host, for a second look at its counters.

        Args:
            host: a login on the host.

        Returns:
            vCPU number to ``/proc/PID/task/TID/schedstat``; empty where the threads are not to be found.
        """

    def guest_access(self) -> SshAccess:
        """Where the guest is logged in to; known once it has been started."""

    def host_access(self) -> SshAccess | None:
        """Where the host is logged in to for its counters; ``None`` where it cannot be."""

    def guest_root(self) -> str:
        """Prefix of ``/proc`` and ``/sys`` as seen from inside the guest: empty for a machine of its own."""

    def restore(self, saved: SavedGuest) -> None:
        """Put definition and power state back exactly; safe to call twice.

        Raises:
            RestoreError: why not; with ``may_pass`` it is called again after a pause.
        """

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:
        """What a person types on this machine to do what :meth:`restore` would; asks nobody, and changes nothing.

        Args:
            saved: the guest as it was.
            folder: absolute path of the folder that holds its files.

        Returns:
            Lines for a POSIX shell, in order, quoted, fit for a guest that is on and for one that is off; what a person
            has to know between them begins with ``#``. Empty where nothing can be left to do, since the guest ends with
            the program.
        """

    def close(self) -> None:
        """Let go of everything the driver itself made; safe to call twice."""


@dataclass(frozen=True)
class Equipment:
    """What a driver brings for one guest. What is ``None`` is the ordinary: real time, real SSH, real samplers."""

    hypervisor: Hypervisor
    clock: Clock | None = None
    connector: Connector | None = None
    samplers: SamplerFactory | None = None
    skip: Callable[[str, Sequence[str] | None], None] | None = None
    """Where it is given, a resumed run calls it for each trial that is done, in order, with the shape's name and the
    load's command (``None`` where the trial was never launched), so that a model goes on where it was."""


class Driver(Protocol):
    """What a driver's module registers: built in, or by an entry point of the group ``trialbed.hypervisors``."""

    name: str
    """What a lab writes under ``hypervisor:``."""
    settings: type[Declared]
    """Model of a lab host's ``with:``."""
    features: frozenset[str]
    """As :attr:`Hypervisor.features`: known before anything is opened, so that a plan can be checked."""
    needs: frozenset[str]
    """What a lab has to give: ``uri`` of the host, ``ssh`` of the guest."""
    host_login: HostLogin
    """Whether :meth:`Hypervisor.host_access` is the driver's own, the lab's, or none since the host is a model."""
    switch: Switch
    """How long its guests take to be reshaped, started and stopped: for the estimate, not as a limit."""
    left_behind: LeftBehind
    """What a run that was killed leaves: where that cannot be told at the guest, the store is asked for such a run."""

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:
        """Bind the driver to one guest of a lab; connects to nothing yet.

        Args:
            guest: a guest of the lab.
            lab: with the driver's settings under the host's ``with``, valid by its model.
            clock: the controller's.
            connector: for a driver that logs in to host or guest by itself.

        Raises:
            InputError: a library that the driver needs is not installed.
        """
