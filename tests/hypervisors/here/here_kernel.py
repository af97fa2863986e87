"""A small kernel in virtual time, to drive the vCPU layer with tasks whose true run and wait are known."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from orchestrator.hypervisors.here.holds import Ended, Stopped
from orchestrator.hypervisors.here.tasks import Counters, Stat
from orchestrator.hypervisors.here.vcpus import VcpuLayer

QUANTUM_NS = 500_000
#: Beyond the largest pid that Linux gives out (2**22), so that no real process is ever meant.
FIRST_TID = 5_000_000

#: Pairs of ns on a CPU and ns blocked, for ever or to the end of the thread.
Demand = Iterator[tuple[int, int]]


def busy() -> Demand:
    """Never blocks."""
    return itertools.repeat((10**12, 0))


def bursts(run_ms: float, block_ms: float) -> Demand:
    """Runs and blocks in turn."""
    return itertools.repeat((int(run_ms * 1e6), int(block_ms * 1e6)))


@dataclass(eq=False)
class Thread:
    """One simulated thread; also stands for its open files."""

    tid: int
    pid: int
    demand: Demand
    run_ns: int = 0
    wait_ns: int = 0
    queued_ns: int = 0
    left_ns: int = 0
    block_ns: int = 0
    wakes_ns: int = 0
    ended: bool = False
    stop_asked: bool = False
    stopped: bool = False
    refuses_holds: bool = False
    vruntime_ns: int = 0
    _seen: tuple[int, int, str] = (-1, -1, "")

    @property
    def state(self) -> str:
        if self.ended:
            return "Z"
        if self.stopped:
            return "t"
        return "R" if self.left_ns > 0 else "S"

    def counters(self) -> Counters | None:
        now = (self.run_ns, self.wait_ns, self.state)
        if now == self._seen:
            return None
        self._seen = now
        return Counters(self.run_ns, self.wait_ns)

    def stat(self) -> Stat:
        return Stat(self.state, 1, self.pid, 0, 0, 0)

    def close(self) -> None:
        pass


class Kernel:
    """Fair scheduling over some CPUs in quanta of half a millisecond. Stands for proc and for the holder as well."""

    has_schedstat = True
    method = "simulated"
    announces = True

    def __init__(self, cpus: int) -> None:
        self.cpus = cpus
        self.now_ns = 0
        self.all: dict[int, Thread] = {}
        self._news: list[Stopped | Ended] = []

    def spawn(self, demand: Demand, pid: int | None = None) -> Thread:
        tid = FIRST_TID + len(self.all)
        thread = Thread(tid, pid or tid, demand)
        self._next_burst(thread)
        self.all[tid] = thread
        return thread

    # What the layer sees of it.

    def threads(self, pid: int) -> list[int]:
        return [t.tid for t in self.all.values() if t.pid == pid and not t.ended]

    def open(self, _pid: int, tid: int) -> Thread:
        return self.all[tid]

    def stat(self, pid: int) -> Stat | None:
        ticks = sum(t.run_ns for t in self.all.values() if t.pid == pid) // 10_000_000
        return Stat("S", 1, pid, ticks, ticks, 0)

    def hold(self, _pid: int, tid: int) -> bool:
        thread = self.all[tid]
        if thread.refuses_holds:
            return False
        thread.stop_asked = True
        return True

    def let_go(self, _pid: int, tid: int, _deliver: int = 0) -> None:
        self.all[tid].stopped = False
        self._enter_queue(self.all[tid])

    # Its own running.

    def _next_burst(self, thread: Thread) -> None:
        burst = next(thread.demand, None)
        if burst is None:
            thread.ended = True
        else:
            thread.left_ns, thread.block_ns = burst

    def _enter_queue(self, thread: Thread) -> None:
        queue = [t.vruntime_ns for t in self.all.values() if t.state == "R" and t is not thread]
        thread.vruntime_ns = max(thread.vruntime_ns, min(queue, default=0))

    def advance(self) -> list[Stopped | Ended]:
        """One quantum; returns what the kernel has to tell."""
        self.now_ns += QUANTUM_NS
        for thread in self.all.values():
            if thread.state == "S" and thread.wakes_ns <= self.now_ns:
                self._next_burst(thread)
                self._enter_queue(thread)
            if thread.stop_asked and thread.state == "S":
                self._stop(thread)
        queue = sorted((t for t in self.all.values() if t.state == "R"), key=lambda t: t.vruntime_ns)
        for position, thread in enumerate(queue):
            if position >= self.cpus:
                thread.queued_ns += QUANTUM_NS
            else:
                self._run(thread)
        told, self._news = self._news, []
        return told

    def _run(self, thread: Thread) -> None:
        thread.wait_ns, thread.queued_ns = thread.wait_ns + thread.queued_ns, 0  # shows only now, as in the kernel
        if thread.stop_asked:
            self._stop(thread)
            return
        thread.run_ns += QUANTUM_NS
        thread.vruntime_ns += QUANTUM_NS
        thread.left_ns -= QUANTUM_NS
        if thread.left_ns <= 0:
            thread.wakes_ns = self.now_ns + thread.block_ns

    def _stop(self, thread: Thread) -> None:
        thread.stop_asked, thread.stopped = False, True
        self._news.append(Stopped(thread.tid, 0))


class Bench:
    """A layer on a simulated kernel, driven as the guest's process drives the real one."""

    def __init__(self, kernel: Kernel, vcpus: int) -> None:
        self.kernel = kernel
        self.layer = VcpuLayer(vcpus, kernel, kernel, 0)  # type: ignore[arg-type]

    def run(self, seconds: float, every: Callable[[], None] | None = None) -> None:
        """Let virtual time pass."""
        end_ns, look_ns = self.kernel.now_ns + int(seconds * 1e9), self.kernel.now_ns
        while self.kernel.now_ns < end_ns:
            told = self.kernel.advance()
            for item in told:
                self.layer.hear(item, self.kernel.now_ns)
            if told or self.kernel.now_ns >= look_ns:
                look_ns = self.kernel.now_ns + self.layer.step(self.kernel.now_ns)
            if every is not None:
                every()

    def shares(self, seconds: float, kind: str) -> list[float]:
        """Share of wall time, per vCPU, of one kind of time over the coming seconds."""
        before = self.layer.counters(self.kernel.now_ns)
        self.run(seconds)
        after = self.layer.counters(self.kernel.now_ns)
        return [(after[key] - before[key]) / (seconds * 1e9) for key in after if key.endswith(f".{kind}_ns")]
