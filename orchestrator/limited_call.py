"""Calls that know no time limit of their own, made in a thread that is left behind when they hang.

Name resolution, an agent and every call of libvirt block for as long as the other side likes, deaf to an interrupt.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from queue import Empty, SimpleQueue
from typing import NoReturn, TypeVar

from orchestrator.units import Seconds

T = TypeVar("T")


def limited(call: Callable[[], T], within_s: Seconds, *, interrupted_s: Seconds = 0.0) -> T:
    """Make a call, and give it up after a while.

    Args:
        call: what to do; it goes on in its thread after it has been given up, and what comes of it is dropped.
        within_s: how long it is waited for.
        interrupted_s: how much longer after an interrupt, where what was asked for must not still be under way when
            its opposite is.

    Returns:
        What the call returns; whatever it raises is raised here.

    Raises:
        TimeoutError: it has been given up.
    """
    answers: SimpleQueue[Callable[[], T]] = SimpleQueue()

    def run() -> None:
        try:
            result = call()
        except BaseException as error:  # noqa: BLE001 - it is raised where the answer is awaited
            answers.put(partial(_raise, error))
        else:
            answers.put(lambda: result)

    try:
        threading.Thread(target=run, name="limited call", daemon=True).start()
        answer = answers.get(timeout=within_s)
    except Empty as error:
        raise TimeoutError from error
    except KeyboardInterrupt:
        if interrupted_s > 0:
            with suppress(Empty):
                answers.get(timeout=min(within_s, interrupted_s))
        raise
    return answer()


def _raise(error: BaseException) -> NoReturn:
    raise error
