"""The clock of this machine against what the kernel says of itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.adapters.clock import SystemClock


@pytest.mark.real
def test_boot_time_is_the_kernels_uptime_and_never_behind_the_monotonic_clock() -> None:
    """``/proc/uptime`` counts the time for which the machine was suspended, as proc(5) says; to hundredths."""
    clock = SystemClock()
    before_s = clock.boottime()
    uptime_s = float(Path("/proc/uptime").read_text().split()[0])
    after_s = clock.boottime()
    assert before_s - 0.02 <= uptime_s <= after_s + 0.02
    monotonic_s = clock.monotonic()
    assert monotonic_s <= clock.boottime()
