"""Ctrl-C, in two steps: the first asks, the second insists, and from then on the guest is being put back."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable
from types import FrameType, TracebackType

_INTERRUPTED = 130


#: Signals by which a program is asked to end.
_ASKS_TO_END = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def leave_at_once() -> None:
    """Until :func:`heed`, an interrupt ends the program with a word: nothing is at stake while it only loads.

    Python would raise KeyboardInterrupt in the middle of an import, and libraries answer that with traces. A signal
    that is ignored, as by a shell for what it has in the background, stays ignored.
    """
    for number in _ASKS_TO_END:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _leave)


def heed() -> None:
    """From now on a request to end is raised as KeyboardInterrupt, so that whatever is taken or opened is given back.

    :class:`Interrupts` takes over while guests may be changed. Without :func:`leave_at_once` nothing is done.
    """
    for number in _ASKS_TO_END:
        if signal.getsignal(number) is _leave:
            signal.signal(number, signal.default_int_handler)


def heed_no_more() -> None:
    """From now on a request to end changes nothing: all is done, and the exit status is to tell how.

    Python would raise KeyboardInterrupt where nobody awaits it any more, or let the signal end what has ended.
    """
    for number in _ASKS_TO_END:
        signal.signal(number, signal.SIG_IGN)
    # CPython notes an interrupt that leaves a text given to exec, as dataclasses do, and ends by SIGINT even if it was
    # caught (pythonrun.c, run_eval_code_obj); the next text clears the note.
    exec("")  # noqa: S102


def _leave(_number: int, _frame: FrameType | None) -> None:
    with contextlib.suppress(OSError):
        os.write(2, b"trialbed: interrupted; nothing was touched\n")
    os._exit(_INTERRUPTED)


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
        """Take the signals over, but for those that are ignored: under nohup a closed terminal ends no night."""
        for number in _ASKS_TO_END:
            if signal.getsignal(number) is not signal.SIG_IGN:
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
