"""Waiting for a run's beginning, in time that jumps."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.engine.waiting import wait_until
from orchestrator.units import utc_text


class Disturbed(VirtualClock):
    """A clock to which something happens after so many steps."""

    def __init__(self, after: int = 0, what: Callable[[VirtualClock], None] = lambda _clock: None) -> None:
        super().__init__()
        self.steps, self._after, self._what = 0, after, what

    def sleep(self, seconds: float) -> None:
        super().sleep(seconds)
        self.steps += 1
        if self.steps == self._after:
            self._what(self)


def test_it_is_waited_to_the_second_and_told_once() -> None:
    clock, said = Disturbed(), list[str]()
    begin_s = clock.now() + 3601.5
    wait_until(begin_s, clock, utc_text, said.append)
    assert clock.now() == begin_s
    assert said == [
        "waiting until 2026-01-01T01:00:01.500Z, in 1 h; nothing has been touched, and Ctrl-C ends the waiting"
    ]


def test_what_has_come_already_is_not_waited_for() -> None:
    clock, said = Disturbed(), list[str]()
    wait_until(clock.now() - 1, clock, utc_text, said.append)
    assert (clock.steps, said) == (0, [])


@pytest.mark.parametrize(
    ("what", "waited_s", "says"),
    [
        (lambda clock: clock.set_forward(1800), 1800, "in 29 min"),
        (lambda clock: clock.set_forward(-3600), 7200, "in 1 h 59 min"),
        (lambda clock: clock.suspend(1200), 2400, "in 39 min"),
    ],
    ids=["set forward", "set back", "slept"],
)
def test_a_clock_that_moves_meanwhile_is_followed_and_told(
    what: Callable[[VirtualClock], None], waited_s: float, says: str
) -> None:
    clock, said = Disturbed(10, what), list[str]()
    begin_s = clock.now() + 3600
    wait_until(begin_s, clock, utc_text, said.append)
    assert begin_s <= clock.now() < begin_s + 5
    assert clock.monotonic() == pytest.approx(waited_s, abs=5)
    assert len(said) == 2
    assert said[1].startswith("the clock has moved: waiting until 2026-01-01T01:00:00.000Z, ")
    assert says in said[1]


def test_a_machine_that_sleeps_past_the_beginning_begins_when_it_wakes() -> None:
    clock = Disturbed(10, lambda clock: clock.suspend(99_999))
    wait_until(clock.now() + 3600, clock, utc_text, lambda _text: None)
    assert clock.steps == 10
