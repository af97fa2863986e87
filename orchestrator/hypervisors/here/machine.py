"""The machine that a process guest runs on: power, sessions, and the loop that drives its vCPU layer."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

from orchestrator.hypervisors.here.holds import Ended, Holder, news
from orchestrator.hypervisors.here.lines import Lines, Message, send
from orchestrator.hypervisors.here.root import write_root
from orchestrator.hypervisors.here.sessions import Sessions
from orchestrator.hypervisors.here.tasks import Proc
from orchestrator.hypervisors.here.vcpus import TICK_NS, VcpuLayer
from orchestrator.units import NANOSECONDS_PER_SECOND

_MS = 1_000_000
#: New tasks are looked for when the kernel has given out a new pid, but not more often than this: a busy host forks all
#: the time.
_SCAN_NS = 10 * _MS
#: And in any case this often: a pid may have been given out between two looks of which only one was seen.
_FULL_SCAN_NS = 500 * _MS
#: The layer's own share of a CPU is kept below the inverse of this by looking less often.
_STRETCH = 50
#: A killed process may need so long until the kernel has taken it apart (large memory, busy host).
_KILL_S = 10.0


class Machine:
    """Serves the tool's requests (``on``, ``off``, ``counters``) until the tool ends, by whatever end.

    Each answer carries the number of its request, since a request may be given up before it is answered.
    """

    def __init__(self, folder: Path, holder: Holder) -> None:
        self._folder = folder
        self._holder = holder
        self._proc = Proc()
        self._layer: VcpuLayer | None = None
        self._done = False
        self._login_gone = False
        self._requests = Lines(sys.stdin.fileno())
        self._wake_out, wake_in = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        signal.set_wakeup_fd(wake_in, warn_on_full_buffer=False)
        self._login = self._start_login()
        self._login_in, login_out = self._pipes(self._login)
        self._login_says = Lines(login_out)
        self._sessions = Sessions(self._proc, self._login.pid)
        self._acknowledged: list[Message] = []
        self._scanned_ns = 0
        self._scanned_pid = b""
        self._inputs: dict[int, Callable[[], None]] = {
            self._requests.descriptor: self._answer,
            self._login_says.descriptor: self._hear_login,
            self._wake_out: self._drain_wakeups,
        }
        self._poll = select.poll()
        for descriptor in self._inputs:
            self._poll.register(descriptor, select.POLLIN)

    def _start_login(self) -> subprocess.Popen[bytes]:
        module = "orchestrator.hypervisors.here.login"
        return subprocess.Popen(  # noqa: S603 - this package's own module
            [sys.executable, "-m", module, str(self._folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    @staticmethod
    def _pipes(process: subprocess.Popen[bytes]) -> tuple[int, int]:
        streams: tuple[IO[bytes] | None, IO[bytes] | None] = process.stdin, process.stdout
        if streams[0] is None or streams[1] is None:
            raise RuntimeError("the login process was started without pipes")
        return streams[0].fileno(), streams[1].fileno()

    # ------------------------------------------------------------------------------------------------------- the loop

    def serve(self) -> None:
        """Run until the tool is gone; leaves no process of the guest behind."""
        hello = self._await_login("port")
        send(sys.stdout.fileno(), {**hello, "hold": self._holder.method, "wait": self._proc.has_schedstat})
        try:
            while not self._done:
                self._turn(self._step())
        finally:
            self._power_off(grace_s=0.0)
            self._login.kill()
            self._signal_until_gone(signal.SIGKILL, _KILL_S, self._sessions.all_alive)

    def end(self) -> None:
        """Have :meth:`serve` return; fit for a signal handler."""
        self._done = True

    def _turn(self, timeout_ns: int | None) -> None:
        """Wait for something to do, and do it."""
        timeout_ms = None if timeout_ns is None else max(1, timeout_ns // _MS)
        for descriptor, _ in self._poll.poll(timeout_ms):
            self._inputs[descriptor]()

    def _step(self) -> int | None:
        """Let the layer look and decide. Returns the ns until the next look; ``None`` while there is none."""
        began_ns = time.thread_time_ns()
        self._take_news()
        if self._layer is None:
            return None
        self._scan()
        delay_ns = self._layer.step(time.monotonic_ns())
        return max(delay_ns, _STRETCH * (time.thread_time_ns() - began_ns))

    def _take_news(self) -> None:
        for item in news():
            if isinstance(item, Ended) and item.tid == self._login.pid:
                self._login_gone = self._done = True
            elif self._layer is not None:
                self._layer.hear(item, time.monotonic_ns())

    def _scan(self, *, at_once: bool = False) -> None:
        """Look for new tasks if there can be any."""
        now_ns, age_ns = time.monotonic_ns(), time.monotonic_ns() - self._scanned_ns
        due = at_once or age_ns >= _FULL_SCAN_NS
        if not due and age_ns >= _SCAN_NS:
            due = self._proc.last_pid() != self._scanned_pid
        if due and self._layer is not None:
            self._scanned_ns, self._scanned_pid = now_ns, self._proc.last_pid()
            self._layer.track(self._sessions.guest_alive())

    def _drain_wakeups(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.read(self._wake_out, 4096)

    # ------------------------------------------------------------------------------------------------------ the login

    def _hear_login(self) -> None:
        for message in self._login_says.read():
            if "spawned" in message:
                self._sessions.began(message["spawned"], message["user"])
                self._scan(at_once=True)
            else:
                self._acknowledged.append(message)
        if self._login_says.ended:
            self._login_gone = self._done = True

    def _await_login(self, key: str) -> Message:
        """Wait for an answer; see to tasks that end or stop meanwhile, since the login process may wait for them."""
        ahead = select.poll()
        ahead.register(self._login_says.descriptor, select.POLLIN)
        ahead.register(self._wake_out, select.POLLIN)
        while not any(key in message for message in self._acknowledged):
            for descriptor, _ in ahead.poll(TICK_NS // _MS):
                self._inputs[descriptor]()
            self._step()
            if self._login_gone:
                raise RuntimeError("the login process has ended before it answered")
        answer = next(message for message in self._acknowledged if key in message)
        self._acknowledged.remove(answer)
        return answer

    def _tell_login(self, **message: object) -> None:
        send(self._login_in, dict(message))
        self._await_login("powered")

    # --------------------------------------------------------------------------------------------------- the requests

    def _answer(self) -> None:
        for request in self._requests.read():
            answer = {**self._do(request), "number": request["number"]}
            with contextlib.suppress(OSError):  # the tool is gone: the next read tells
                send(sys.stdout.fileno(), answer)
        if self._requests.ended:
            self._done = True

    def _do(self, request: Message) -> Message:
        match request["op"]:
            case "on":
                return self._power_on(request)
            case "off":
                return {"killed": self._power_off(grace_s=float(request["grace_s"]))}
            case "counters" if self._layer is not None:
                self._take_news()
                self._scan(at_once=True)
                now_ns = time.monotonic_ns()
                return {"source_ns": now_ns, "values": self._layer.counters(now_ns)}
            case "counters":
                return {"error": "the guest is off"}
        return {"error": f"unknown request {request['op']!r}"}

    def _power_on(self, request: Message) -> Message:
        if self._layer is not None:
            return {"error": "the guest is on already"}
        boot_id = write_root(self._folder / "root", vcpus=request["vcpus"], memory=request["memory"])
        self._layer = VcpuLayer(request["vcpus"], self._proc, self._holder, time.monotonic_ns())
        self._tell_login(on=True, vcpus=request["vcpus"], memory=request["memory"], cpus=request["cpus"])
        return {"boot_id": boot_id}

    def _power_off(self, *, grace_s: float) -> int:
        """Refuse logins, then end every process of the guest: in order within the grace, then by force.

        Returns:
            How many had to be killed.
        """
        if self._layer is None:
            return 0
        self._layer.let_all_go()  # what is held cannot end in order
        with contextlib.suppress(OSError, RuntimeError):  # the login process may be gone, the guest's tasks are not
            self._tell_login(on=False)
        left = self._signal_until_gone(signal.SIGTERM, grace_s, self._sessions.guest_alive)
        if left:
            self._signal_until_gone(signal.SIGKILL, _KILL_S, self._sessions.guest_alive)
        self._layer.close()
        self._layer = None
        return left

    def _signal_until_gone(self, number: int, within_s: float, alive_now: Callable[[], list[int]]) -> int:
        """Send a signal to every such process, also to those born meanwhile. Returns how many are left in the end."""
        signalled: set[int] = set()
        deadline_ns = time.monotonic_ns() + int(within_s * NANOSECONDS_PER_SECOND)
        while alive := alive_now():
            for pid in set(alive) - signalled:
                for each in (number, signal.SIGCONT):
                    with contextlib.suppress(OSError):
                        os.kill(pid, each)
            signalled.update(alive)
            if time.monotonic_ns() >= deadline_ns:
                return len(alive)
            select.select([self._wake_out], [], [], TICK_NS / NANOSECONDS_PER_SECOND)
            self._drain_wakeups()
            self._take_news()
        return 0
