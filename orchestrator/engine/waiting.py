"""Waiting for the moment at which a run begins, by the wall clock; nothing has been touched so far."""

from __future__ import annotations

from collections.abc import Callable

from orchestrator.engine.ports import Clock
from orchestrator.units import Seconds, format_duration

#: In so small steps a clock that is set, or a machine that wakes up, is noticed.
_STEP_S: Seconds = 5.0
#: From so much on the wait has become another one, and is told anew.
_MOVED_S: Seconds = 2.0


def wait_until(at_s: Seconds, clock: Clock, local_time: Callable[[Seconds], str], say: Callable[[str], None]) -> None:
    """Return once the wall clock shows a moment or a later one.

    Args:
        at_s: seconds since 1970.
        clock: its wall clock counts, also where it is set meanwhile.
        local_time: writes a moment.
        say: is told what is waited for.
    """
    left_s = at_s - clock.now()
    if left_s <= 0:
        return
    say(f"{_waiting(at_s, left_s, local_time)}; nothing has been touched, and Ctrl-C ends the waiting")
    while left_s > 0:
        step_s = min(left_s, _STEP_S)
        clock.sleep(step_s)
        before_s, left_s = left_s, at_s - clock.now()
        if left_s > 0 and abs(before_s - step_s - left_s) > _MOVED_S:
            say(f"the clock has moved: {_waiting(at_s, left_s, local_time)}")


def _waiting(at_s: Seconds, left_s: Seconds, local_time: Callable[[Seconds], str]) -> str:
    return f"waiting until {local_time(at_s)}, in {format_duration(round(left_s))}"
