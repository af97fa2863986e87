"""A real process guest for tests: the driver, logins by the project's SSH client, and what the machine says of it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Process, Shell
from orchestrator.hypervisors.here.driver import HereDriver
from orchestrator.hypervisors.here.hypervisor import HereHypervisor
from orchestrator.hypervisors.here.tasks import ENDED, Proc

LAB = Lab.model_validate({"hosts": {"here": {"hypervisor": "here"}}, "guests": {"bookings-1": {"host": "here"}}})


def shape(vcpus: int = 1, memory: str = "1 GiB", **more: object) -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": memory, **more})


def eventually(true: Callable[[], bool], within_s: float = 10.0) -> bool:
    """Whether something becomes true in time."""
    end_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


class GuestUnderTest:
    """See the module."""

    def __init__(self) -> None:
        self.clock = SystemClock()
        made = HereDriver().open("bookings-1", LAB, self.clock, SshConnector(self.clock)).hypervisor
        assert isinstance(made, HereHypervisor)
        self.hypervisor = made
        self._shells: list[Shell] = []

    def start(self, wanted: Shape) -> None:
        if self.hypervisor.describe().running:
            self.hypervisor.stop(10)
        self.reshape(wanted)
        self.hypervisor.start()

    def reshape(self, wanted: Shape) -> None:
        self.hypervisor.reshape(wanted, self.hypervisor.save())

    def login(self, user: str = "guest") -> Shell:
        access = self.hypervisor.guest_access() if user == "guest" else self.hypervisor.host_access()
        assert access is not None
        shell = SshConnector(self.clock).connect(access, machine="guest" if user == "guest" else "host", timeout_s=10)
        self._shells.append(shell)
        return shell

    def launch(self, program: str, *arguments: object) -> Process:
        """Start a Python program in the guest."""
        return self.login().start(["python3", "-c", program, *map(str, arguments)])

    def shares(self, seconds: float) -> dict[str, list[float]]:
        """Share of wall time per kind and vCPU over the coming seconds; ``others`` is what all else used, in CPUs."""
        before, busy_before = self.hypervisor.counters(), _busy_s()
        self.clock.sleep(seconds)
        after, busy_after = self.hypervisor.counters(), _busy_s()
        wall_ns = after.source_ns - before.source_ns
        found: dict[str, list[float]] = {}
        for key in after.values:
            found.setdefault(key.split(".")[2], []).append((after.values[key] - before.values[key]) / wall_ns)
        found["others"] = [(busy_after - busy_before) * 1e9 / wall_ns - sum(found["run_ns"])]
        return found

    @property
    def folder(self) -> Path:
        return Path(self.hypervisor.guest_root()).parent

    @property
    def process(self) -> int:
        """The pid of the guest's process."""
        (pid,) = (pid for pid in Proc().children(os.getpid()) if b"here.guest" in _command(pid))
        return pid

    def close_logins(self) -> None:
        while self._shells:
            self._shells.pop().close()

    def close(self) -> None:
        self.close_logins()
        self.hypervisor.close()


def _busy_s() -> float:
    """CPU time of everything on this machine (/proc/stat: user, nice, system, irq, softirq; in ticks)."""
    with Path("/proc/stat").open(encoding="ascii") as file:
        fields = [int(field) for field in file.readline().split()[1:]]
    return (sum(fields[:3]) + sum(fields[5:7])) / os.sysconf("SC_CLK_TCK")


def _command(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def alive(pids: list[int]) -> list[int]:
    """Those of the processes that have not ended."""
    proc = Proc()
    return [pid for pid in pids if (stat := proc.stat(pid)) is not None and stat.state not in ENDED]


@contextmanager
def neighbours() -> Iterator[None]:
    """One busy process on each CPU, each in a session of its own, since the kernel may share out by session."""
    made = []
    for cpu in os.sched_getaffinity(0):
        process = subprocess.Popen([sys.executable, "-c", "while True: pass"], start_new_session=True)
        os.sched_setaffinity(process.pid, {cpu})
        made.append(process)
    try:
        yield
    finally:
        for process in made:
            process.kill()
            process.wait()
