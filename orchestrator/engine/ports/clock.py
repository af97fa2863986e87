"""Time, as a port."""

from __future__ import annotations

from typing import Protocol

from orchestrator.units import Seconds


class Clock(Protocol):
    """Time, given and not taken. In tests it moves only when told."""

    def now(self) -> Seconds:
        """Wall clock: seconds since 1970-01-01 UTC."""

    def monotonic(self) -> Seconds:
        """A clock that never steps, and stands while the machine sleeps; only differences mean anything."""

    def boottime(self) -> Seconds:
        """A clock that never steps and runs on while the machine sleeps; only differences mean anything."""

    def sleep(self, seconds: Seconds) -> None:
        """Return after ``seconds``; at once when that is not positive."""
