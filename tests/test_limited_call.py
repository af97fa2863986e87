"""Calls in a thread of their own: answered, refused, given up."""

from __future__ import annotations

import sys
import threading

import pytest

from orchestrator.limited_call import limited


def test_what_comes_in_time_is_returned_or_raised() -> None:
    assert limited(lambda: 7, 10) == 7
    with pytest.raises(ZeroDivisionError):
        limited(lambda: 1 // 0, 10)
    with pytest.raises(SystemExit):
        limited(lambda: sys.exit(3), 10)


def test_what_does_not_is_given_up_and_goes_on() -> None:
    goes_on, has_ended = threading.Event(), threading.Event()

    def call() -> None:
        goes_on.wait(10)
        has_ended.set()

    with pytest.raises(TimeoutError):
        limited(call, 0.05)
    assert not has_ended.is_set()
    goes_on.set()
    assert has_ended.wait(10)


def test_an_interrupt_waits_for_the_call_in_hand_where_asked_to(monkeypatch: pytest.MonkeyPatch) -> None:
    class Interrupted:
        """A queue whose reader is interrupted once, as a person's Ctrl-C would do."""

        def __init__(self) -> None:
            self.waits: list[float] = []

        def put(self, _answer: object) -> None:
            pass

        def get(self, timeout: float) -> object:
            self.waits.append(timeout)
            if len(self.waits) == 1:
                raise KeyboardInterrupt
            return None

    for interrupted_s, waits in ((0.0, [30]), (5.0, [30, 5.0])):
        queue = Interrupted()
        monkeypatch.setattr("orchestrator.limited_call.SimpleQueue", lambda queue=queue: queue)
        with pytest.raises(KeyboardInterrupt):
            limited(lambda: None, 30, interrupted_s=interrupted_s)
        assert queue.waits == waits
