"""Ctrl-C, in two steps: the first asks, the second insists, and from then on the guest is being put back."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType, TracebackType


class Interrupts:
    """A :class:`~orchestrator.engine.ports.StopRequest` that signals set; a context manager.

    The first SIGINT sets :attr:`requested`, the second raises KeyboardInterrupt wherever the engine is. SIGTERM and
    SIGHUP insist at once, since nobody will ask a second time. After that, and from :meth:`hold_off` on, a signal is
    answered with words only: putting the guest back is not to be cut short.

    Args:
        tell: is told what a signal leads to, in words.
    """

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        self._insisted = False
        self._before: dict[int, signal._HANDLER] = {}
        self.requested = False

    def __enter__(self) -> Interrupts:
        """Take the signals over."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            self._before[number] = signal.signal(number, self._received)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the signals back."""
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def hold_off(self) -> None:
        """See :class:`~orchestrator.engine.ports.StopRequest`."""
        self._insisted = True

    def _received(self, number: int, _frame: FrameType | None) -> None:
        if self._insisted:
            self._tell("still putting the guest back as it was; please wait")
        elif number == signal.SIGINT and not self.requested:
            self.requested = True
            self._tell("finishing the trial in hand, then putting the guest back; Ctrl-C again to stop now")
        else:
            self.requested = self._insisted = True
            self._tell("stopping now; putting the guest back as it was")
            raise KeyboardInterrupt
