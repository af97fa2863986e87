"""Logins on the simulated host and guest: the same port as SSH, answered by the model."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import PurePosixPath
from typing import NoReturn

from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.bring_online import ONLINE_SCRIPT
from orchestrator.engine.inside import INSIDE_SCRIPT
from orchestrator.engine.ports import Completed
from orchestrator.errors import GuestFault, HostFault, StageError, WorkloadFault
from orchestrator.hypervisors.simulated.process import SimulatedProcess
from orchestrator.hypervisors.simulated.world import LATENCY_S, SimulatedWorld
from orchestrator.units import Seconds

#: The handshake of a login, and the least that a command takes, on an idle machine.
_LOGIN_S: Seconds = 0.1
_COMMAND_S: Seconds = 0.02
#: While something is waited for over real SSH, a machine that has fallen silent is found out after so long.
_NOTICED_AFTER_S: Seconds = 25.0

Answer = Callable[[SimulatedWorld, str], str]


def inside_report(world: SimulatedWorld, _machine: str) -> str:
    """What the guest says of its own size, as ``key=value`` lines."""
    facts = {
        "online": _cpu_list(world.online),
        "boot_id": world.boot_id,
        "uptime_s": f"{world.up_s:.2f}",
        "clocksource": "simulated",
        "kernel": "simulated",
        "memory_kib": world.memory_kib,
    }
    return "".join(f"{key}={value}\n" for key, value in facts.items())


def online_report(world: SimulatedWorld, _machine: str) -> str:
    """Bring the guest's CPUs online, and say which are."""
    world.bring_online()
    return f"online={_cpu_list(world.online)}\n"


def fingerprint_report(world: SimulatedWorld, machine: str) -> str:
    """What there is to tell of a machine that does not exist, as ``key<TAB>value`` lines."""
    guest = machine == "guest"
    facts = {
        "cpuinfo model name": f"simulated, seed {world.settings.seed}",
        "online": _cpu_list(world.online if guest else world.settings.cpus),
        "meminfo MemTotal": world.memory_kib if guest else world.settings.memory // 1024,
    }
    return "".join(f"{key}\t{value}\n" for key, value in facts.items())


def _cpu_list(cpus: int) -> str:
    return f"0-{cpus - 1}" if cpus > 1 else "0"


#: Which scripts the simulated machines can answer, and how: they have no shell of their own.
ANSWERS: tuple[tuple[Callable[[str], bool], Answer], ...] = (
    (lambda script: script == INSIDE_SCRIPT, inside_report),
    (lambda script: script == ONLINE_SCRIPT, online_report),
    (lambda script: "/proc/cpuinfo" in script, fingerprint_report),
)


class SimulatedShell:
    """A :class:`~orchestrator.engine.ports.Shell` on one of the simulated machines.

    Attributes:
        files: path to SHA-256 digest of everything that was put.
    """

    def __init__(self, world: SimulatedWorld, machine: str) -> None:
        self._world, self._machine = world, machine
        self._session = world.session
        self._closed = False
        self._processes: list[SimulatedProcess] = []
        self.files: dict[str, str] = {}

    def run(
        self, argv: Sequence[str], *, stdin: str = "", timeout_s: Seconds = 10.0, folder: str | None = None
    ) -> Completed:
        """Answer a script that is known; any other command succeeds and prints nothing."""
        del stdin, folder
        self.reach(timeout_s)
        self._world.clock.sleep(_COMMAND_S)
        if list(argv[:2]) == ["sh", "-c"]:
            script = argv[2] if len(argv) > 2 else ""
            answer = next((answer for knows, answer in ANSWERS if knows(script)), None)
            if answer is None:
                return Completed(127, "", "a simulated machine has no shell and knows no such script\n")
            return Completed(0, answer(self._world, self._machine), "")
        return Completed(0, "", "")

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> SimulatedProcess:
        """Launch a load; its thread count is read from the command."""
        del folder, end_with_input
        self.reach(math.inf)
        if self._machine != "guest":
            raise HostFault("the simulated host runs no commands; loads run in its guest")
        self._world.clock.sleep(_COMMAND_S)
        process = SimulatedProcess(self._world, self._world.launch(argv, threads_of(argv)))
        self._processes.append(process)
        return process

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        """Note the files' digests."""
        self.reach(math.inf)
        for name, content in files.items():
            self._world.clock.sleep(_COMMAND_S)
            self.files[str(PurePosixPath(folder) / name)] = hashlib.sha256(content).hexdigest()

    def close(self) -> None:
        """End the login, and with it whatever was started over it."""
        self._closed = True
        for process in self._processes:
            process.cut()
        self._processes.clear()

    def reach(self, timeout_s: Seconds) -> None:
        """Insist that the machine answers; a silent one costs ``timeout_s``, or the time after which SSH notices it."""
        now_s = self._world.settle()
        if self._closed:
            self._fail("the login was closed")
        if self._machine == "host":
            return
        if self._session != self._world.session:
            self._fail("the connection was lost", silent=True)
        if self._world.silent_s <= now_s:
            waited_s = min(timeout_s, _NOTICED_AFTER_S)
            self._world.clock.sleep(waited_s)
            found_out = waited_s >= _NOTICED_AFTER_S  # as over real SSH, a guest that was is not asked again
            self._fail(f"nothing has arrived for {waited_s:g} s", silent=True, may_pass=not found_out)

    def _fail(self, reason: str, *, silent: bool = False, may_pass: bool | None = None) -> NoReturn:
        raise fault(self._machine, f"simulated {self._machine}: {reason}", silent=silent, may_pass=may_pass)


class SimulatedConnector:
    """A :class:`~orchestrator.engine.ports.Connector` to the machines of one simulation."""

    def __init__(self, world: SimulatedWorld) -> None:
        self._world = world

    def obstacle(self, access: SshAccess, *, machine: str) -> str | None:  # noqa: ARG002 - no keys are needed
        """Nothing is: nobody is asked for a key."""
        return None

    def connect(self, access: SshAccess, *, machine: str, timeout_s: Seconds) -> SimulatedShell:
        """Log in; a guest that is off or still booting refuses, one that does not boot never answers."""
        now_s = self._world.settle()
        if machine == "host" or self._world.answers_from_s <= now_s < self._world.silent_s:
            self._world.clock.sleep(min(_LOGIN_S, timeout_s))
            return SimulatedShell(self._world, machine)
        if self._world.running and (math.isinf(self._world.answers_from_s) or self._world.silent_s <= now_s):
            self._world.clock.sleep(timeout_s)
            raise GuestFault(f"{access.address} did not answer within {timeout_s:.3g} s", may_pass=True, silent=True)
        self._world.clock.sleep(2 * LATENCY_S)
        raise GuestFault(
            f"{access.address} refused the connection; the guest is {'booting' if self._world.running else 'off'}",
            may_pass=True,
            silent=True,
        )


def fault(machine: str, message: str, *, silent: bool, may_pass: bool | None = None) -> StageError:
    """The error that says whose fault it is; a machine that is silent may answer a later try, unless it is said."""
    kind = HostFault if machine == "host" else GuestFault
    return kind(message, may_pass=silent if may_pass is None else may_pass, silent=silent)


def threads_of(argv: Sequence[str]) -> int:
    """The thread count of a load's command: ``--threads N``, ``--threads=N``, or the only whole number in it.

    Raises:
        WorkloadFault: the command does not tell, and a guess would be an invented truth.
    """
    for position, argument in enumerate(argv):
        name, equals, value = argument.partition("=")
        if name == "--threads":
            value = value if equals else "".join(argv[position + 1 : position + 2])
            if value.isdecimal() and int(value) > 0:
                return int(value)
    numbers = [argument for argument in argv[1:] if argument.isdecimal() and int(argument) > 0]
    if len(numbers) == 1:
        return int(numbers[0])
    raise WorkloadFault(
        "a simulated guest reads the number of threads from the command, as --threads N or its only whole number; "
        f"found {list(argv)!r}"
    )
