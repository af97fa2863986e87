"""A load running in the simulated guest: one line a second, made when somebody looks."""

from __future__ import annotations

from collections import deque

from orchestrator.engine.ports import MAX_LINE, Line
from orchestrator.errors import GuestFault
from orchestrator.hypervisors.simulated.world import LATENCY_S, Load, SimulatedWorld
from orchestrator.units import Seconds

#: What a program gone wild prints: too long, binary, terminal control sequences, figures that are none, falling counts.
_RUBBISH = (
    "\x00\ufffd\x01\ufffd" * (MAX_LINE // 4),
    "\x1b[2J\x1b]0;title\x07\x1b[31mred",
    '{"operations": NaN, "monotonic_s": Infinity}',
    '{"operations": -5, "monotonic_s": -1}',
    '{"operations": 1e999',
    '{"operations": "many"}',
    "",
)


class SimulatedProcess:
    """A :class:`~orchestrator.engine.ports.Process` that prints the operations of a load."""

    def __init__(self, world: SimulatedWorld, load: Load) -> None:
        self._world, self._load = world, load
        self._session = world.session
        self._silent_s = load.strikes.get("falls-silent", float("inf"))
        self._second = 0
        self._pending: deque[Line] = deque()
        self._status: int | None = None

    def lines(self) -> list[Line]:
        """What has arrived by now."""
        now_s = self._world.settle()
        while self._arrival_s() <= now_s:
            self._print()
        arrived = list(self._pending)
        self._pending.clear()
        return arrived

    def wait_line(self, timeout_s: Seconds) -> Line | None:
        """The next line; time passes until it arrives, or for all of ``timeout_s``."""
        now_s = self._world.settle()
        if not self._pending:
            arrival_s = self._arrival_s()
            if arrival_s > now_s + timeout_s:
                if self.ended() is None:
                    self._world.clock.sleep(timeout_s)
                return None
            self._world.clock.sleep(arrival_s - now_s)
            self._world.settle()
            if self._arrival_s() > arrival_s:
                return None  # it was cut off in the meantime
            self._print()
        return self._pending.popleft()

    def write(self, text: str) -> None:
        """Sends text that the load does not read."""
        if (status := self.ended()) is not None:
            why = "the connection was lost" if status == -1 else "the load has ended"
            raise GuestFault(f"{len(text)} characters could not be sent to the simulated guest: {why}")

    def ended(self) -> int | None:
        """Exit status, -1 when the line was lost, ``None`` while it runs."""
        now_s = self._world.settle()
        if self._status is None:
            if self._load.strikes.get("workload-exits", float("inf")) <= min(now_s, self._load.ended_s):
                self._status = 1
            elif self._session != self._world.session:
                self._status = -1
        return self._status

    def errors(self) -> str:
        """Something only where the load ended by itself."""
        return "simulated fault: the load ended by itself\n" if self.ended() == 1 else ""

    def stop(self, timeout_s: Seconds) -> int | None:
        """End the load."""
        if self.ended() is None:
            if self._silent_s <= self._world.clock.monotonic():
                self._world.clock.sleep(timeout_s)
                return None
            self._world.unload(self._load, self._world.clock.monotonic())
            self._world.clock.sleep(2 * LATENCY_S)
            self._status = 0
        return self._status

    def cut(self) -> None:
        """The login that the load was started over is closed, which ends it."""
        if self.ended() is None:
            self._world.unload(self._load, self._world.clock.monotonic())
            self._status = -1

    def _arrival_s(self) -> Seconds:
        """When the next line arrives; infinite when there is none."""
        printed_s = self._load.launched_s + self._second + 1
        if printed_s > self._load.ended_s or printed_s >= self._silent_s:
            return float("inf")
        return printed_s + LATENCY_S

    def _print(self) -> None:
        arrived_s = self._arrival_s()
        self._second += 1
        printed_s = self._load.launched_s + self._second
        flooded_s = self._load.strikes.get("workload-floods")
        if flooded_s is not None and printed_s >= flooded_s:
            self._pending.extend(Line(text[:MAX_LINE], arrived_s, cut=len(text) >= MAX_LINE) for text in _RUBBISH)
        operations = self._load.operations.until(self._second)
        fallen_s = self._load.strikes.get("workload-counts-back")
        if fallen_s is not None and printed_s >= fallen_s:
            operations -= self._load.operations.until(max(int(fallen_s - self._load.launched_s), 1))
        text = self._world.settings.line.replace("<operations>", str(int(operations)))
        if "<rate>" in text:
            rate = self._load.operations.until(self._second) - self._load.operations.until(self._second - 1)
            # A guest counts its own seconds; one whose clock stands still prints what it did since the last line.
            took_s = self._world.guest_clock_s(printed_s) - self._world.guest_clock_s(printed_s - 1)
            rate /= took_s if took_s > 0 else 1.0
            text = text.replace("<rate>", f"{rate:.3f}")
        self._pending.append(
            Line(text.replace("<monotonic_s>", f"{self._world.guest_clock_s(printed_s):.6f}"), arrived_s)
        )
