"""Machines that neighbours run on, in memory: a guest with its driver, logins on it, and loads that live and die."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from simulated_run import Experiment, lab, plan

from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import (
    Clock,
    Completed,
    Connector,
    Description,
    Line,
    Process,
    Sampler,
    SamplerFactory,
    SavedGuest,
    Shell,
)
from orchestrator.errors import GuestFault, HostFault

GUEST = "timetable-1"
HOGS = {"name": "hogs", "loops": 2, "pin": [0, 1]}
IN_GUEST = {"name": "timetable", "guest": GUEST, "loops": 1}
COMMAND = {"name": "reports", "guest": GUEST, "command": ["work", "2"]}


@dataclass
class FakeLoad:
    """A process: busy loops that answer as the real program does, or a command that is silent."""

    argv: Sequence[str]
    clock: Clock
    together: bool = False
    status: int | None = None
    said: str = ""
    waiting: deque[str] = field(default_factory=deque)
    deaf: bool = False

    def __post_init__(self) -> None:
        self.loops = int(self.argv[4]) if self.argv[3] == "busy-loops" else 0
        self.living = self.loops
        if self.loops and self.status is None:
            made = f"made {self.loops} {'together' if self.together else 'apart'}"
            self.waiting.extend([made, *(f"loop {number}" for number in range(self.loops))])

    def lines(self) -> list[Line]:
        taken = [Line(text, self.clock.monotonic()) for text in self.waiting]
        self.waiting.clear()
        return taken

    def wait_line(self, timeout_s: float) -> Line | None:
        if not self.waiting:
            self.clock.sleep(timeout_s if self.status is None else 0)
            return None
        return Line(self.waiting.popleft(), self.clock.monotonic())

    def write(self, text: str) -> None:
        if self.status is not None or not text.endswith("\n"):
            raise GuestFault("the command takes no more input")
        if not self.deaf:
            self.waiting.append(f"running {self.living}")

    def ended(self) -> int | None:
        return self.status

    def errors(self) -> str:
        return self.said

    def stop(self, timeout_s: float) -> int | None:
        if self.deaf:
            self.clock.sleep(timeout_s)
            return None
        self.end(0)
        return self.status

    def end(self, status: int, said: str = "") -> None:
        """It ends by itself, or its login is lost (-1)."""
        if self.status is None:
            self.status, self.said = status, said


@dataclass
class FakeMachine:
    """What can be logged in to. ``ends`` are the ends that the next loads come to as soon as they are started."""

    clock: Clock
    loads: list[FakeLoad] = field(default_factory=list)
    ends: list[tuple[int, str]] = field(default_factory=list)
    reachable: bool = True
    together: bool = False

    @property
    def running(self) -> list[FakeLoad]:
        """The loads that have not ended."""
        return [load for load in self.loads if load.status is None]

    def cut(self) -> None:
        """Every login is lost, and with it what was started through it."""
        for load in self.running:
            load.end(-1)


class FakeShell:
    """A login; everything but loads is left to another shell, where there is one."""

    def __init__(self, machine: FakeMachine, beneath: Shell | None) -> None:
        self._machine, self.beneath = machine, beneath
        self._mine: list[FakeLoad] = []
        self.closed = False

    def run(self, argv: Sequence[str], *, stdin: str = "", timeout_s: float = 10.0, folder: str | None = None):
        if self.beneath is not None and list(argv) != ["true"]:
            return self.beneath.run(argv, stdin=stdin, timeout_s=timeout_s, folder=folder)
        if self.closed or not self._machine.reachable:
            raise GuestFault("the login is lost")
        return Completed(0, "", "")

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> Process:
        if self.beneath is not None and "busy-loops" not in argv:
            return self.beneath.start(argv, folder=folder, end_with_input=end_with_input)
        status, said = self._machine.ends.pop(0) if self._machine.ends else (None, "")
        load = FakeLoad(argv, self._machine.clock, self._machine.together, status, said)
        self._machine.loads.append(load)
        self._mine.append(load)
        return load

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        assert self.beneath is not None
        self.beneath.put(files, folder)

    def close(self) -> None:
        self.closed = True
        for load in self._mine:
            load.end(-1)
        if self.beneath is not None:
            self.beneath.close()


class FakeGuest:
    """The driver of another guest; ``calls`` is what was done to it."""

    name = "fake"
    features: frozenset[str] = frozenset()

    def __init__(self, machine: FakeMachine, *, running: bool) -> None:
        self.machine, self.on, self.definition, self.calls = machine, running, b"as its owner wrote it", []
        self.refuses: dict[str, BaseException] = {}
        self.start_takes_s = 0.0

    def _called(self, name: str) -> None:
        self.calls.append(name)
        if name in self.refuses:
            raise self.refuses[name]

    def describe(self) -> Description:
        return Description("fake guest", 1, 2**30, self.on, 2)

    def save(self) -> SavedGuest:
        return SavedGuest({"guest": self.definition}, self.on)

    def start(self) -> None:
        self._called("start")
        self.machine.clock.sleep(self.start_takes_s)
        self.on = self.machine.reachable = True

    def restore(self, saved: SavedGuest) -> None:
        self._called("restore")
        self.on, self.definition = saved.running, saved.files["guest"]

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:
        assert saved.files
        return {}

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:
        assert saved.files
        return (f"put-back < {folder}/guest",)

    def trouble(self) -> str | None:
        return None if self.on else "it was switched off from outside"

    def guest_access(self) -> SshAccess:
        return SshAccess(address=f"{GUEST}.example", user="bench")

    def host_access(self) -> SshAccess | None:
        return None

    def close(self) -> None:
        self.calls.append("close")

    def refusal(self, shape: Shape) -> str | None:
        raise AssertionError(f"a neighbour is never reshaped, to {shape.name} neither")

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:  # noqa: ARG002 - the protocol's names
        raise AssertionError("a neighbour is never reshaped")

    def plug(self) -> None:
        raise AssertionError("a neighbour is never reshaped")

    def stop(self, timeout_s: float) -> None:  # noqa: ARG002 - as above
        raise AssertionError("a neighbour is stopped by putting it back")

    def counters(self) -> Sample:
        raise AssertionError("a neighbour is not measured")

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:  # noqa: ARG002 - as above
        return {}

    def guest_root(self) -> str:
        return ""


class Routing:
    """A connector: the neighbour's guest is the fake one, the host carries loads, everything else is as it was."""

    def __init__(self, beneath: Connector, host: FakeMachine, guest: FakeMachine) -> None:
        self._beneath, self._host, self._guest = beneath, host, guest
        self.obstacles: dict[str, str] = {}

    def obstacle(self, access: SshAccess, *, machine: str) -> str | None:
        return self.obstacles.get(access.address, self._beneath.obstacle(access, machine=machine))

    def connect(self, access: SshAccess, *, machine: str, timeout_s: float) -> Shell:
        if access.address == f"{GUEST}.example":
            if not self._guest.reachable:
                raise GuestFault("nobody answers", may_pass=True)
            return FakeShell(self._guest, None)
        shell = self._beneath.connect(access, machine=machine, timeout_s=timeout_s)
        if machine == "host" and not self._host.reachable:
            raise HostFault("the host does not answer")
        return FakeShell(self._host, shell) if machine == "host" else shell


class Beneath:
    """Samplers on whatever lies beneath a login of ours."""

    def __init__(self, samplers: SamplerFactory) -> None:
        self._samplers = samplers

    def open(self, shell: Shell, *, machine: str, root: str = "", threads: Sequence[str] = ()) -> Sampler:
        beneath = shell.beneath if isinstance(shell, FakeShell) else shell
        assert beneath is not None
        return self._samplers.open(beneath, machine=machine, root=root, threads=threads)


class Beside:
    """An experiment with neighbours, whose host and other guest are at hand."""

    def __init__(self, *neighbours: Mapping[str, object], running: bool = False, marked: bool = True, **kept) -> None:
        asked = plan(design={"blocks": 1}, neighbours=list(neighbours))
        known = lab().model_dump(by_alias=True)
        known["guests"][GUEST] = {"host": "model", "may-power-cycle": marked}
        for guest in known["guests"].values():
            guest.pop("limits", None)
        self.run = Experiment(asked, Lab.model_validate(known), **kept)
        self.host = FakeMachine(self.run.clock)
        self.other = FakeMachine(self.run.clock)
        self.guest = FakeGuest(self.other, running=running)
        self.run.bench = replace(
            self.run.bench,
            connector=Routing(self.run.bench.connector, self.host, self.other),
            samplers=Beneath(self.run.bench.samplers),
            neighbours={GUEST: self.guest},
        )

    @property
    def journal(self) -> list[str]:
        """The names of what happened, without stages."""
        return [event.event for event in self.run.store.kept["run-1"].journal if event.event != "stage-started"]
