"""What the engine needs of the world, as protocols. Adapters, drivers and fakes implement them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from orchestrator.core.design.declared import Declared
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.clock import Exchange, Offset
from orchestrator.core.measure.samples import Reading, Sample, Value
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.news import News
from orchestrator.units import Bytes, Seconds


class Clock(Protocol):
    """Time, given and not taken. In tests it moves only when told."""

    def now(self) -> Seconds:
        """Wall clock: seconds since 1970-01-01 UTC."""

    def monotonic(self) -> Seconds:
        """A clock that never steps; only differences mean anything."""

    def sleep(self, seconds: Seconds) -> None:
        """Return after ``seconds``; at once when that is not positive."""


# ---------------------------------------------------------------------------------------------------------- shells


@dataclass(frozen=True)
class Line:
    """One line of a process's standard output.

    Attributes:
        text: the line without its end, decoded as UTF-8 with replacement and cut at ``MAX_LINE`` characters.
        arrived_s: controller's monotonic time at which its end arrived.
        cut: whether the line was longer than is kept.
    """

    text: str
    arrived_s: Seconds
    cut: bool = False


MAX_LINE = 64 * 1024


@dataclass(frozen=True)
class Completed:
    """A command that has ended."""

    status: int
    output: str
    errors: str


class Process(Protocol):
    """A command that goes on running on the other machine."""

    def lines(self) -> list[Line]:
        """What has arrived on standard output since the last call; never blocks."""

    def wait_line(self, timeout_s: Seconds) -> Line | None:
        """The next line, waited for at most ``timeout_s``; ``None`` when none came (or the process has ended)."""

    def write(self, text: str) -> None:
        """Send text to standard input. Raises :class:`~orchestrator.errors.StageError` when the line is cut."""

    def ended(self) -> int | None:
        """Exit status once it has ended, -1 when the line was lost or a signal ended it; ``None`` while it runs."""

    def errors(self) -> str:
        """The last 4 KiB or so of standard error so far."""

    def stop(self, timeout_s: Seconds) -> int | None:
        """Close standard input, which ends the command (see :meth:`Shell.start`), and wait for its exit status."""


class Shell(Protocol):
    """A login on one machine. Every method raises a subclass of StageError when the machine cannot be reached."""

    def run(
        self, argv: Sequence[str], *, stdin: str = "", timeout_s: Seconds = 10.0, folder: str | None = None
    ) -> Completed:
        """Run a command to its end. Each argument is quoted: nothing is interpreted by a shell."""

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> Process:
        """Start a command that goes on.

        Args:
            argv: the command; each argument is quoted.
            folder: working directory.
            end_with_input: wrap the command so that the end of its standard input (or a lost connection) kills it; with
                ``False`` the command reads standard input itself and is expected to end when that ends.
        """

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        """Write files (name to content, mode 0755) into ``folder`` (created) over SFTP."""

    def close(self) -> None:
        """End the login; safe to call twice."""


class Connector(Protocol):
    """Opens logins."""

    def connect(self, access: SshAccess, *, machine: str, timeout_s: Seconds) -> Shell:
        """Log in.

        Args:
            access: where and as whom.
            machine: ``host`` or ``guest``: decides whose fault a failure is.
            timeout_s: for the whole of it.

        Raises:
            HostFault, GuestFault: with the reason (refused, silent, host key unknown or changed, login refused); its
                ``may_pass`` tells whether waiting can help.
        """


# ---------------------------------------------------------------------------------------------------- hypervisors


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
    """

    kind: str
    vcpus: int
    memory: Bytes
    running: bool
    host_cpus: int
    max_vcpus: int | None = None
    max_memory: Bytes | None = None
    remarks: tuple[str, ...] = ()


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

    The engine calls in this order: ``describe`` (any time), ``save`` once before the first change, then for each trial
    ``stop`` (if running), ``reshape``, ``start``, ``counters`` many times, ``stop``; at the end ``restore``, ``close``.
    """

    name: str
    features: frozenset[str]
    """Which of a shape's optional features it can give: ``topology``, ``quota``, ``pin``."""

    def describe(self) -> Description:
        """What the guest is now; changes nothing."""

    def save(self) -> SavedGuest:
        """The guest's full definition; changes nothing."""

    def reshape(self, shape: Shape) -> None:
        """Define the guest with this shape; it is off when this is called."""

    def start(self) -> None:
        """Power on; returns before the guest can be logged in to."""

    def stop(self, timeout_s: Seconds) -> None:
        """Shut down in order; returns when the guest is off. Raises GuestFault when it does not go in time."""

    def counters(self) -> Sample:
        """Cumulative counters per vCPU (``vcpu.N.run_ns``, ``vcpu.N.wait_ns``); the guest is running."""

    def guest_access(self) -> SshAccess:
        """Where the guest is logged in to; known once it has been started."""

    def host_access(self) -> SshAccess | None:
        """Where the host is logged in to for its counters; ``None`` where it cannot be."""

    def guest_root(self) -> str:
        """Prefix of ``/proc`` and ``/sys`` as seen from inside the guest: empty for a machine of its own."""

    def restore(self, saved: SavedGuest) -> None:
        """Put definition and power state back exactly; safe to call twice. Raises RestoreError."""

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
    switch: Switch
    """How long its guests take to be reshaped, started and stopped: for the estimate, not as a limit."""

    def open(self, guest: str, lab: Lab, clock: Clock) -> Equipment:
        """Bind the driver to one guest of a lab; connects to nothing yet."""


# ------------------------------------------------------------------------------------------------------- counters


class Sampler(Protocol):
    """Reads a machine's counters over one long-lived channel. Errors as for Shell; silence is an error too."""

    method: str
    """``python`` or ``shell``."""

    def sample(self) -> Sample:
        """One reading now."""

    def exchange(self) -> Exchange:
        """One exchange of four timestamps."""

    def close(self) -> None:
        """End the program on the other machine and wait for its exit status; safe to call twice."""


class SamplerFactory(Protocol):
    """Starts samplers."""

    def open(self, shell: Shell, *, machine: str, root: str = "", threads: Sequence[str] = ()) -> Sampler:
        """Start a sampler: the Python program where there is Python 3, else the shell loop.

        Args:
            shell: a login on the machine.
            machine: ``host`` or ``guest``.
            root: prefix of ``/proc`` and ``/sys``.
            threads: schedstat files to read as ``thread.ID.*``, as paths ``/proc/PID/task/TID/schedstat`` (ID = TID).
        """


# ---------------------------------------------------------------------------------------------------------- store


@dataclass(frozen=True)
class TrialData:
    """The series of a trial, to be stored beside its record."""

    throughput: Sequence[Mapping[str, Value]]
    """Rows with ``time_s``, ``value`` as read."""
    host: Sequence[Sample]
    guest: Sequence[Sample]
    vcpu: Sequence[Sample]
    log: str


class RunWriter(Protocol):
    """One run being written. Raises StoreError when the disk refuses."""

    id: str
    location: str

    def append(self, event: Event) -> None:
        """Add a line to the journal; on the disk when this returns."""

    def keep_before(self, guest: str, saved: SavedGuest) -> None:
        """Keep a guest's definition before the first change."""

    def saved_guest(self, guest: str) -> SavedGuest | None:
        """What :meth:`keep_before` kept, if it did."""

    def keep_environment(self, environment: Environment) -> None:
        """Keep the fingerprint."""

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial: it appears whole or not at all."""

    def seal(self) -> None:
        """Write the digests of everything (``SHA256SUMS``)."""


class RunStore(Protocol):
    """Where runs are kept."""

    def create(self, record: RunRecord, inputs: Mapping[str, bytes]) -> RunWriter:
        """Begin a run; ``inputs`` are plan and lab as given, byte for byte (``plan.yaml``, ``lab.yaml``, files)."""

    def reopen(self, run: str) -> tuple[StoredRun, RunWriter, Mapping[str, bytes]]:
        """Open an unfinished run to go on with it; the last item are its inputs."""

    def find(self, run: str) -> StoredRun:
        """Read a run by id, unambiguous prefix, or ``last``. Raises StoreError with what there is."""

    def problems(self) -> list[str]:
        """What the last reading found damaged or strange."""

    def list(self) -> list[StoredRun]:
        """All runs, oldest first; what cannot be read is left out and reported by ``problems``."""


# ----------------------------------------------------------------------------------------------------------- news


class Reporter(Protocol):
    """Is told what happens, as it happens. Never raises, never changes what is done."""

    def tell(self, news: News) -> None:
        """One event."""


class StopRequest(Protocol):
    """Whether somebody asked the run to stop after the trial in hand."""

    @property
    def requested(self) -> bool:
        """True from the first interrupt on."""

    def hold_off(self) -> None:
        """The guest is being put back: from now on nobody can insist any more. Safe to call twice."""


# ------------------------------------------------------------------------------------------------------- workloads


@dataclass(frozen=True)
class WorkloadFiles:
    """Files of a workload as they will be sent.

    Attributes:
        files: name to content.
        sha256: name to digest.
    """

    files: Mapping[str, bytes]
    sha256: Mapping[str, str]


class OutputParser(Protocol):
    """Reads throughput from a workload's lines. Nothing that a guest prints makes it raise."""

    def feed(self, lines: Sequence[Line]) -> int:
        """Take lines in; returns how many of them held a figure."""

    def readings(self, before: Offset | None, after: Offset | None = None) -> list[Reading]:
        """All readings so far in controller time, by the guest's clock where lines carry it and an offset is known."""

    def problems(self) -> list[str]:
        """What was found in the output that a person should know, in words."""
