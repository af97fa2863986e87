"""News for whoever watches: one watcher for all who watch the same, which rests when nobody does."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from orchestrator.adapters.web.library import News, Watcher
from orchestrator.adapters.web.work import EndingError, Work
from orchestrator.errors import TrialbedError
from orchestrator.units import Seconds

#: A look costs a millisecond or so, on a machine that may be measuring.
EVERY_S: Final[Seconds] = 1.0
#: Who watch at a time: half of the connections that the server takes, so that pages are had all the same.
MOST_LISTENERS: Final = 64


@dataclass(eq=False)
class _Listener:
    """One who watches. What is not fetched in time is replaced by what is newer, so that nothing piles up."""

    pending: dict[str, News] = field(default_factory=dict)
    stirred: asyncio.Event = field(default_factory=asyncio.Event)
    over: bool = False

    def tell(self, news: Iterable[News]) -> None:
        for one in news:
            self.pending.pop(one.name, None)  # what is newest comes last
            self.pending[one.name] = one
        if self.pending:
            self.stirred.set()

    def end(self) -> None:
        self.over = True
        self.stirred.set()


@dataclass(eq=False)
class _Watched:
    """One thing that is watched: how it stood when it was last looked at, and who listens."""

    latest: dict[str, News] = field(default_factory=dict)
    listeners: set[_Listener] = field(default_factory=set)
    task: asyncio.Task[None] | None = None
    over: bool = False


class Watching:
    """Everything that is watched. It lives in one event loop.

    Args:
        every_s: time between two looks at the same thing, however many watch it.
    """

    def __init__(self, every_s: Seconds = EVERY_S) -> None:
        self._work, self._every_s = Work(), every_s
        self._watched: dict[str, _Watched] = {}
        self._closed = False

    @property
    def watched(self) -> frozenset[str]:
        """Names of what somebody watches."""
        return frozenset(self._watched)

    @property
    def unfinished(self) -> int:
        """How many looks have not come to their end."""
        return self._work.unfinished

    @property
    def full(self) -> bool:
        """Whether so many watch that nobody else may."""
        return sum(len(watched.listeners) for watched in self._watched.values()) >= MOST_LISTENERS

    async def news(self, name: str, make: Callable[[], Watcher]) -> AsyncGenerator[News, None]:
        """How a thing stands, then each change, until it is over, cannot be looked at any more, or all is closed.

        Args:
            name: of the thing: whoever watches the same name shares one watcher.
            make: makes it, for the first one who watches; called in a thread.
        """
        if self._closed:
            return
        watched = self._watched.get(name)
        if watched is None:
            watched = self._watched[name] = _Watched()
            watched.task = asyncio.create_task(self._look(watched, make), name=f"watch {name}")
        listener = _Listener()
        listener.tell(watched.latest.values())
        watched.listeners.add(listener)
        if watched.over:
            listener.end()
        try:
            while True:
                await listener.stirred.wait()
                listener.stirred.clear()
                while listener.pending:
                    yield listener.pending.pop(next(iter(listener.pending)))
                if listener.over:
                    if watched.over and watched.task is not None:
                        await watched.task  # what went wrong with it is told where others are
                    return
        finally:
            watched.listeners.discard(listener)
            if not watched.listeners:
                self._forget(name, watched)

    def close(self) -> None:
        """End all streams, and begin no other."""
        self._closed = True
        for watched in self._watched.values():
            for listener in watched.listeners:
                listener.end()
        self._work.close()

    def _forget(self, name: str, watched: _Watched) -> None:
        if watched.task is not None:
            watched.task.cancel()
        if self._watched.get(name) is watched:
            del self._watched[name]

    async def _look(self, watched: _Watched, make: Callable[[], Watcher]) -> None:
        try:
            with suppress(TrialbedError, EndingError):  # the page says why when it is asked for again
                watcher = await self._work.done(make)
                while True:
                    found = await self._work.done(watcher.look)
                    watched.latest |= {news.name: news for news in found}
                    for listener in watched.listeners:
                        listener.tell(found)
                    if watcher.over:
                        break
                    await asyncio.sleep(self._every_s)
        finally:
            watched.over = True
            for listener in watched.listeners:
                listener.end()
