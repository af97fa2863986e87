"""Time that moves only when somebody sleeps: a night passes in seconds."""

from __future__ import annotations

from orchestrator.units import Seconds


class VirtualClock:
    """A :class:`~orchestrator.engine.ports.Clock` that jumps.

    Args:
        start_utc_s: wall clock at the beginning, in seconds since 1970; the default is 2026-01-01 00:00 UTC.
    """

    def __init__(self, start_utc_s: Seconds = 1_767_225_600.0) -> None:
        self._start_utc_s = start_utc_s
        self._elapsed_s = self._suspended_s = 0.0

    def now(self) -> Seconds:
        """Wall clock, moved by sleeping, and by what a test does to it."""
        return self._start_utc_s + self._elapsed_s + self._suspended_s

    def monotonic(self) -> Seconds:
        """Seconds slept so far."""
        return self._elapsed_s

    def boottime(self) -> Seconds:
        """Seconds slept so far, and those for which the machine was suspended."""
        return self._elapsed_s + self._suspended_s

    def sleep(self, seconds: Seconds) -> None:
        """Move time on at once."""
        self._elapsed_s += max(seconds, 0.0)

    def set_forward(self, seconds: Seconds) -> None:
        """Step the wall clock alone, as somebody who corrects it does; back by a negative number.

        No simulation does: how a run bears a clock that is set is checked by it, on the clock that a driver has made.
        """
        self._start_utc_s += seconds

    def suspend(self, seconds: Seconds) -> None:
        """Let the machine sleep: wall clock and boot time run on, the monotonic clock stands. Likewise for checks."""
        self._suspended_s += seconds
