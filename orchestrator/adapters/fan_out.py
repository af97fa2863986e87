"""Several listeners to one run."""

from __future__ import annotations

from contextlib import suppress
from types import TracebackType
from typing import Protocol

from orchestrator.engine.news import News
from orchestrator.engine.ports import Reporter


class Listener(Reporter, Protocol):
    """A reporter with something to do, or to undo, at the end."""

    def close(self, error: BaseException | None = None) -> None:
        """The run has ended, by an error where there was one."""


class FanOut:
    """A :class:`~orchestrator.engine.ports.Reporter` that tells others, each whatever becomes of the ones before it.

    A context manager: at its end the listeners are closed, with the error that ended the run.
    """

    def __init__(self, first: Reporter, *listeners: Listener) -> None:
        self._first, self._listeners = first, listeners

    def __enter__(self) -> FanOut:
        """Begin."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close them."""
        for listener in self._listeners:
            with suppress(Exception):
                listener.close(error)

    def tell(self, news: News) -> None:
        """Tell all of them, in their order."""
        for reporter in (self._first, *self._listeners):
            with suppress(Exception):
                reporter.tell(news)
