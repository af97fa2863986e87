"""What keeps every wait bounded: deadlines, and a way to end a call that knows no time limit."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from orchestrator.engine.ports import Clock
from orchestrator.units import Seconds


class Deadline:
    """A moment on the monotonic clock by which something has to be done.

    Attributes:
        allowed_s: the time that was allowed, for messages.
    """

    def __init__(self, clock: Clock, allowed_s: Seconds) -> None:
        self.allowed_s = allowed_s
        self._clock = clock
        self._end_s = clock.monotonic() + allowed_s

    def left_s(self) -> Seconds:
        """What is left of it, never negative."""
        return max(0.0, self._end_s - self._clock.monotonic())

    def passed(self) -> bool:
        """Whether nothing is left."""
        return self.left_s() <= 0.0


@dataclass
class Watch:
    """Whether a watched call was cut off."""

    fired: bool = False


@contextmanager
def cut_off(after_s: Seconds, cut: Callable[[], object]) -> Iterator[Watch]:
    """Call ``cut`` from another thread when the block takes longer than ``after_s``; it has to make the block return.

    paramiko waits without end for the answer to a request on a channel and for room in the socket's buffer; closing the
    channel, or the connection, ends these waits.
    """
    watch = Watch()

    def fire() -> None:
        watch.fired = True
        cut()

    timer = threading.Timer(after_s, fire)
    timer.daemon = True
    timer.start()
    try:
        yield watch
    finally:
        timer.cancel()
