"""Work for answers, in threads: nobody waits for somebody else's, and the end of the server for none."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, TypeVar

T = TypeVar("T")

#: At a time; most of them wait for one another.
_MOST_THREADS: Final = 40


class EndingError(Exception):
    """The server ends, and does not wait for what was asked for."""


class Work:
    """Calls in threads. It lives in one event loop."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(_MOST_THREADS, "answers")
        self._in_hand: set[asyncio.Future[Any]] = set()
        self._count, self._counting = 0, threading.Lock()
        self._ended = threading.Event()

    @property
    def unfinished(self) -> int:
        """How many calls have not come to their end, waited for or not."""
        return self._count

    async def done(self, make: Callable[[], T]) -> T:
        """What a call gives.

        Raises:
            EndingError: the server ends.
        """
        if self._ended.is_set():
            raise EndingError
        called = asyncio.get_running_loop().run_in_executor(self._pool, self._counted, make)
        self._in_hand.add(called)
        try:
            return await called
        except asyncio.CancelledError:
            if self._ended.is_set():
                raise EndingError from None
            raise
        finally:
            self._in_hand.discard(called)

    def close(self) -> None:
        """Wait for nothing any more, and begin nothing: a thread cannot be ended, so it is left behind."""
        self._ended.set()
        self._pool.shutdown(wait=False, cancel_futures=True)
        for called in list(self._in_hand):
            called.cancel()

    def _counted(self, make: Callable[[], T]) -> T:
        with self._counting:
            self._count += 1
        try:
            return make()
        finally:
            with self._counting:
                self._count -= 1
