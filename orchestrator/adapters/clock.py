"""The clock of this machine: the one module that reads time for the engine."""

from __future__ import annotations

import time

from orchestrator.units import Seconds

_BOOTTIME: int | None = getattr(time, "CLOCK_BOOTTIME", None)


class SystemClock:
    """:class:`~orchestrator.engine.ports.Clock` over the operating system's clocks."""

    def now(self) -> Seconds:
        """Seconds since 1970-01-01 UTC."""
        return time.time()

    def monotonic(self) -> Seconds:
        """CLOCK_MONOTONIC: comparable with the monotonic clock of other processes on this machine."""
        return time.monotonic()

    def boottime(self) -> Seconds:
        """CLOCK_BOOTTIME where there is one (Linux); elsewhere the monotonic clock, and no sleep is noticed."""
        return time.clock_gettime(_BOOTTIME) if _BOOTTIME is not None else time.monotonic()

    def sleep(self, seconds: Seconds) -> None:
        """Sleep; an interrupt ends it by its exception."""
        if seconds > 0:
            time.sleep(seconds)
