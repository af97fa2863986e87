"""Several listeners to one run: each is told and closed, whatever becomes of the others."""

from __future__ import annotations

import pytest

from orchestrator.adapters.fan_out import FanOut
from orchestrator.engine.news import News, Notice


class Ear:
    """A listener that remembers, and may fail at everything."""

    def __init__(self, *, fails: bool = False) -> None:
        self.heard: list[object] = []
        self._fails = fails

    def tell(self, news: News) -> None:
        self._take(news)

    def close(self, error: BaseException | None = None) -> None:
        self._take(error)

    def _take(self, what: object) -> None:
        self.heard.append(what)
        if self._fails:
            raise OSError("the disk is full")


def test_one_that_fails_keeps_nobody_from_hearing_and_the_error_of_the_run_is_passed_on() -> None:
    first, second, third = Ear(fails=True), Ear(fails=True), Ear()
    notice, trouble = Notice("a word"), ValueError("of the run")
    everybody = FanOut(first, second, third)

    def run() -> None:
        with everybody:
            everybody.tell(notice)
            raise trouble

    with pytest.raises(ValueError, match="of the run"):
        run()
    assert first.heard == [notice], "whoever made it closes it"
    assert second.heard == third.heard == [notice, trouble]


def test_an_interrupt_gets_through() -> None:
    class Interrupting(Ear):
        def _take(self, what: object) -> None:
            super()._take(what)
            raise KeyboardInterrupt

    listener = Ear()
    with FanOut(Interrupting(), listener) as everybody, pytest.raises(KeyboardInterrupt):
        everybody.tell(Notice("a word"))
    assert listener.heard == [None]
