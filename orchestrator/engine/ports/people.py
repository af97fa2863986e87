"""Who is told of a run, and may ask it to stop."""

from __future__ import annotations

from typing import Protocol

from orchestrator.engine.news import News


class Reporter(Protocol):
    """Is told what happens, as it happens. Never raises, never changes what is done."""

    def tell(self, news: News) -> None:
        """One event."""


class StopRequest(Protocol):
    """Whether somebody asked the run to stop after the trial in hand."""

    @property
    def requested(self) -> bool:
        """True from the first interrupt on."""

    def hold_off(self) -> None:
        """The guest is being put back: from now on nobody can insist any more. Safe to call twice."""
