"""Waiting for something to become so, by looking at it."""

from __future__ import annotations

from collections.abc import Callable

from orchestrator.engine.ports import Clock
from orchestrator.units import Seconds

_LOOK_EVERY_S: Seconds = 0.05


def wait_until(is_so: Callable[[], bool], clock: Clock, within_s: Seconds) -> bool:
    """Look again and again until it is so or the time is over; once at least.

    Returns:
        Whether it is so.
    """
    until_s = clock.monotonic() + within_s
    while not is_so():
        if clock.monotonic() >= until_s:
            return False
        clock.sleep(_LOOK_EVERY_S)
    return True
