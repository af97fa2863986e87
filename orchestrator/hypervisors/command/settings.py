"""What a lab declares under ``with:`` for a host whose hypervisor is ``command``."""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from orchestrator.core.design.declared import Declared, Duration, Finding, Line, Text, refusal, refuse
from orchestrator.core.design.wording import printable, shown
from orchestrator.hypervisors.command.placeholders import GUEST, OF_FEATURE, SHAPE, findings

# ------------------------------------------------------------------------------------------------------- commands


def _argv(*known: str, program: bool = True) -> Callable[[tuple[str, ...]], tuple[str, ...]]:
    """A check of an argument vector: each placeholder is known, and a program is named."""

    def check(argv: tuple[str, ...]) -> tuple[str, ...]:
        found = findings(argv, known)
        if program and not argv[0].strip():
            found.append(Finding((0,), "the program's name is empty; the first item is the program"))
        refuse(found)
        return argv

    return check


_Words = Annotated[tuple[Text, ...], Field(min_length=1)]
_OnGuest = Annotated[_Words, AfterValidator(_argv(*GUEST))]
_OnShape = Annotated[_Words, AfterValidator(_argv(*SHAPE))]
_ForTopology = Annotated[_Words, AfterValidator(_argv(*SHAPE, *OF_FEATURE["topology"], program=False))]
_ForQuota = Annotated[_Words, AfterValidator(_argv(*SHAPE, *OF_FEATURE["quota"], program=False))]
_ForShares = Annotated[_Words, AfterValidator(_argv(*SHAPE, *OF_FEATURE["shares"], program=False))]
_ForPin = Annotated[_Words, AfterValidator(_argv(*SHAPE, *OF_FEATURE["pin"], program=False))]
_ForLive = Annotated[_Words, AfterValidator(_argv(*SHAPE, program=False))]

# -------------------------------------------------------------------------------------------------------- readers


def _pattern(*needed: str) -> Callable[[str], str]:
    """A check of a regular expression: it compiles, and has the groups that are read."""

    def check(pattern: str) -> str:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                groups = re.compile(pattern).groupindex
        except (re.error, OverflowError, RecursionError) as error:
            raise refusal(f"{shown(pattern)} is not a regular expression: {printable(str(error))}") from error
        if missing := [name for name in needed if name not in groups]:
            raise refusal(
                f"{shown(pattern)} has no group named {missing[0]}; name it, for example '(?P<{missing[0]}>[0-9]+)'"
            )
        return pattern

    return check


_ValuePattern = Annotated[Text, Field(max_length=1000), AfterValidator(_pattern("value"))]
_VcpuPattern = Annotated[Text, Field(max_length=1000), AfterValidator(_pattern("vcpu", "run"))]
_TimeUnit = Literal["ns", "us", "ms", "s"]


def _insist_on_one(pattern: object, json: object) -> None:
    if (pattern is None) == (json is None):
        both = "both" if pattern is not None else "neither"
        raise refusal(f"a reader has either json or pattern, not {both}; write one of them")


class Figure(Declared):
    """Where one figure stands in what a command prints: in a JSON document, or in text that a pattern finds."""

    json_: Annotated[Text, Field(min_length=1)] | None = Field(default=None, alias="json")
    """Names from the outside in, with dots between: ``guest.cpus``; a number is a position in a list."""
    pattern: _ValuePattern | None = None
    """Regular expression with a group ``value``; its first match counts, ``^`` and ``$`` are the ends of a line, and
    ``{domain}`` stands for the guest's name."""

    @model_validator(mode="after")
    def _read_in_one_way(self) -> Figure:
        _insist_on_one(self.pattern, self.json_)
        return self


class SizeFigure(Figure):
    """A size, and the unit that the command prints it in."""

    unit: Literal["B", "KiB", "MiB", "GiB"]
    """Unit of the printed number."""


class TimeFigure(Figure):
    """A time, and the unit that the command prints it in."""

    unit: _TimeUnit
    """Unit of the printed number."""


class StateFigure(Figure):
    """The power state, and what the words for it mean. A word that is in none of the lists is an error, not a guess."""

    running: Annotated[tuple[Text, ...], Field(min_length=1)]
    """Words for a guest whose vCPUs run."""
    stopped: Annotated[tuple[Text, ...], Field(min_length=1)]
    """Words for a guest that is switched off."""
    paused: tuple[Text, ...] = ()
    """Words for a guest that is switched on and held."""
    crashed: tuple[Text, ...] = ()
    """Words for a guest that is switched on and whose kernel has given up."""

    @model_validator(mode="after")
    def _each_word_has_one_meaning(self) -> StateFigure:
        meanings: dict[str, str] = {}
        found = []
        for state in ("running", "stopped", "paused", "crashed"):
            for position, word in enumerate(getattr(self, state)):
                if (first := meanings.setdefault(word, state)) != state:
                    found.append(
                        Finding((state, position), f"{shown(word)} means {first} already; keep it in one list")
                    )
        refuse(found)
        return self


class VcpuFields(Declared):
    """Names of the fields in a line that is one JSON object about one vCPU."""

    vcpu: Annotated[Text, Field(min_length=1)] = "vcpu"
    """Number of the vCPU, from 0."""
    run: Annotated[Text, Field(min_length=1)] = "run"
    """Its CPU time."""
    wait: Annotated[Text, Field(min_length=1)] | None = None
    """Its time on a run queue, where the hypervisor counts that."""


# ------------------------------------------------------------------------------------------------- what is declared


class Describe(Declared):
    """The command that says what the guest is, and how its answer is read. It changes nothing."""

    command: _OnGuest
    """Prints the guest's size and power state."""
    vcpus: Figure
    """vCPUs: of the definition while the guest is off, of the guest while it runs."""
    memory: SizeFigure
    """Memory as defined."""
    state: StateFigure
    """Power state."""
    host_cpus: Figure | None = None
    """Physical CPUs that the guest can run on; left out: those of the machine that the commands run on."""
    max_vcpus: Figure | None = None
    """Most vCPUs that the host can give, where that is known."""
    max_memory: SizeFigure | None = None
    """Most memory that the host can give, where that is known."""


class Reshape(Declared):
    """The command that gives the guest, which is off, its size.

    The arguments below it are added for shapes that ask for that feature. No shape of a plan may ask for a feature
    without arguments.
    """

    command: _OnShape
    """Sets vCPUs and memory: ``{vcpus}``, ``{memory-mib}`` or ``{memory-bytes}``."""
    topology: _ForTopology | None = None
    """Added for a topology: ``{sockets}``, ``{cores}``, ``{threads}``."""
    quota: _ForQuota | None = None
    """Added for a quota of CPU time: ``{quota-percent}``, 150 for one and a half CPUs."""
    shares: _ForShares | None = None
    """Added for a weight among guests: ``{shares}``."""
    pin: _ForPin | None = None
    """Added for pinning: ``{pin}``, numbers of physical CPUs with commas between."""
    live: _ForLive | None = None
    """Added for a guest that boots with one vCPU and gets the others by ``plug``."""


class Counters(Declared):
    """The command that reads the cumulative counters of all vCPUs, one line each."""

    command: _OnGuest
    """Prints a line for each vCPU of the running guest."""
    json_: VcpuFields | None = Field(default=None, alias="json")
    """Fields of lines that are JSON objects."""
    pattern: _VcpuPattern | None = None
    """Regular expression with groups ``vcpu``, ``run`` and, where there is such a counter, ``wait``; other lines are
    passed over."""
    unit: _TimeUnit
    """Unit of run and wait."""
    clock: TimeFigure | None = None
    """The host's own clock at the reading, any that never steps; shares are more certain with it."""
    state: StateFigure | None = None
    """Power state, where this command prints it too; left out: ``describe`` is asked before each reading."""
    limit: Annotated[Duration, Field(gt=0, le=600)] = 10.0
    """A reading that takes longer is given up."""

    @model_validator(mode="after")
    def _read_in_one_way(self) -> Counters:
        _insist_on_one(self.pattern, self.json_)
        return self

    @property
    def has_wait(self) -> bool:
        """Whether the command is said to print the time on run queues."""
        if self.json_ is not None:
            return self.json_.wait is not None
        return self.pattern is not None and "wait" in re.compile(self.pattern).groupindex


class FactCommands(Declared):
    """Commands that tell what runs the guest: the first line that each prints is kept beside the results."""

    hypervisor_version: _OnGuest | None = None
    """Name and version of what runs the guest."""
    manager_version: _OnGuest | None = None
    """Version of the layer that manages it."""
    acceleration: _OnGuest | None = None
    """What executes the guest's instructions."""
    machine_type: _OnGuest | None = None
    """The board that the guest is given, and its version."""
    cpu_mode: _OnGuest | None = None
    """The CPU that the guest is given."""
    disk_drivers: _OnGuest | None = None
    """Each disk's bus, format, cache and I/O."""
    network_drivers: _OnGuest | None = None
    """Each network interface's model and connection."""
    ballooning: _OnGuest | None = None
    """Whether the hypervisor can take memory back from the guest."""
    memory_backing: _OnGuest | None = None
    """Huge pages, locking and place of the guest's memory."""
    other_guests: _OnGuest | None = None
    """How many other guests run on the host."""


class CommandSettings(Declared):
    """Commands for everything that is done to a guest, and how what they print is read.

    A command is a list of arguments that no shell reads. It succeeds with exit status 0; 75 (EX_TEMPFAIL of sysexits.h)
    says that the same may work later; any other is a failure.
    """

    run_on: Literal["controller", "host"] = "controller"
    """``controller``: as child processes of this program; ``host``: over the lab host's ``ssh``."""
    folder: Line | None = None
    """Working directory of the commands. On the controller: absolute, from ``~``, or relative to where this program was
    started. On the host: absolute, or relative to the login's home."""
    limit: Annotated[Duration, Field(gt=0, le=3600)] = 60.0
    """A command that takes longer is ended, with everything it has started."""
    kind: Line = "virtual machine"
    """What the guests are called in tables and reports."""
    describe: Describe
    """Says what the guest is."""
    save: _OnGuest
    """Prints the guest's whole definition: always the same bytes for the same definition, on or off."""
    restore: _OnGuest
    """Makes the definition on its standard input the guest's own again; the guest is off."""
    reshape: Reshape
    """Gives the guest a size."""
    start: _OnGuest
    """Switches the guest on."""
    stop: _OnGuest
    """Asks the guest to shut down; may return before it is off."""
    counters: Counters
    """Reads the vCPUs' counters."""
    force_off: _OnGuest | None = None
    """Switches the guest off hard; used where the lab's guest has ``force-off: true`` and ``stop`` was not enough."""
    facts: FactCommands = FactCommands()
    """Tell what runs the guest."""
    plug: _OnShape | None = None
    """Gives the running guest all ``{vcpus}`` of its shape; needed for ``reshape: live``."""

    @model_validator(mode="after")
    def _live_takes_two_commands(self) -> CommandSettings:
        if self.reshape.live is not None and self.plug is None:
            refuse([Finding(("reshape", "live"), "a guest that boots with one vCPU needs the command plug as well")])
        if self.plug is not None and self.reshape.live is None:
            refuse([Finding(("plug",), "is never run unless reshape has arguments for live; add those, or drop plug")])
        return self

    @property
    def shape_features(self) -> frozenset[str]:
        """The optional features that these commands can give; see :mod:`orchestrator.core.design.tailored`."""
        return frozenset(feature for feature in OF_FEATURE if getattr(self.reshape, feature) is not None)

    @property
    def lab_needs(self) -> frozenset[str]:
        """The host's login, where commands run over it; see :mod:`orchestrator.core.design.tailored`."""
        return frozenset({"host ssh"}) if self.run_on == "host" else frozenset()

    def extra_arguments(self, features: Sequence[str]) -> tuple[str, ...]:
        """What is added to the reshape command for these features of a shape."""
        return tuple(word for feature in features for word in getattr(self.reshape, feature) or ())
