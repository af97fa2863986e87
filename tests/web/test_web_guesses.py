"""Wrong tokens: counted by where they come from, slowed, and never in the way of the right one for long."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("sse_starlette")

from served_store import TOKEN, Served, served

from orchestrator.adapters.web.guesses import AT_ONCE, EVERY_S, Guesses, TooSoonError
from orchestrator.engine.ports.clock import Clock
from orchestrator.engine.virtual_clock import VirtualClock

HERE, THERE = "192.0.2.7", "192.0.2.8"


class Counter:
    """Guesses that are made as fast as can be, and how many of them were looked at."""

    def __init__(self, clock: Clock) -> None:
        self.told: list[str] = []
        self.guesses = Guesses(clock.monotonic, self.told.append)
        self.made = self.seen = 0

    def guess(self, address: str, *, same: bool = False) -> bool:
        """Whether it was looked at."""
        self.made += 1
        try:
            self.guesses.check(address)
        except TooSoonError:
            return False
        self.guesses.wrong(address, b"" if same else self.made.to_bytes(4, "big"))
        self.seen += 1
        return True

    def wait_s(self, address: str) -> float:
        """How long the right token waits now."""
        try:
            self.guesses.check(address)
        except TooSoonError as error:
            return error.wait_s
        return 0


def test_who_guesses_for_an_hour_has_a_few_at_once_and_then_so_many_a_minute() -> None:
    clock = VirtualClock()
    counter = Counter(clock)
    for _ in range(36000):
        counter.guess(HERE)
        clock.sleep(0.1)
    assert counter.seen == pytest.approx(AT_ONCE + 3600 / EVERY_S, abs=1)


def test_the_right_token_waits_for_seconds_whatever_was_guessed_before_and_not_at_all_elsewhere() -> None:
    clock = VirtualClock()
    counter = Counter(clock)
    for _ in range(10_000):
        counter.guess(HERE)
    assert 0 < counter.wait_s(HERE) <= EVERY_S, "what was not looked at does not add to it"
    assert counter.wait_s(THERE) == 0
    clock.sleep(EVERY_S)
    assert counter.wait_s(HERE) == 0


def test_a_program_that_is_set_up_wrongly_makes_one_guess() -> None:
    counter = Counter(VirtualClock())
    assert all(counter.guess(HERE, same=True) for _ in range(1000))
    assert counter.told == []


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("2001:db8:0:1::1", "2001:db8:0:1:ffff::2", True),  # one subscriber's network (RFC 6177; RFC 3849 for examples)
        ("2001:db8:0:1::1", "2001:db8:0:2::1", False),
        ("::ffff:192.0.2.7", "192.0.2.7", True),  # RFC 4291, 2.5.5.2
        ("::ffff:192.0.2.7", "::ffff:192.0.2.8", False),
        ("fe80::1%eth0", "fe80::2%eth0", True),
        ("", "192.0.2.7", False),
    ],
)
def test_addresses_that_cost_nothing_count_as_one(one: str, other: str, *, same: bool) -> None:
    counter = Counter(VirtualClock())
    for _ in range(AT_ONCE):
        counter.guess(one)
    assert (counter.wait_s(other) > 0) == same


def test_whoever_serves_is_told_once_in_a_while_and_how_many_there_were() -> None:
    clock = VirtualClock()
    counter = Counter(clock)
    for _ in range(AT_ONCE):
        assert counter.told == []
        counter.guess(HERE)
    for _ in range(3599):
        clock.sleep(1)
        counter.guess(HERE)
    assert (
        counter.told[0] == f"{AT_ONCE} wrong tokens came from {HERE}; of those that follow one is looked at every 3 s"
    )
    assert len(counter.told) == 6, "an hour holds six times ten minutes"


def test_of_very_many_addresses_the_most_recent_are_remembered() -> None:
    counter = Counter(VirtualClock())
    for _ in range(AT_ONCE):
        counter.guess(HERE)
    for number in range(2000):
        counter.guess(f"198.51.{100 + number // 250}.{number % 250}")
    assert counter.wait_s(HERE) == 0


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def locked(tmp_path: Path, clock: VirtualClock) -> Iterator[Served]:
    token = tmp_path / "token"
    token.write_text(TOKEN)
    with served(tmp_path / "results", clock, token_file=token) as there:
        yield there


def test_a_browser_and_a_program_are_told_to_wait_and_then_let_in(locked: Served, clock: VirtualClock) -> None:
    session = locked.ask("POST", "/login", f"token={TOKEN}".encode()).headers["set-cookie"].split(";")[0]
    for number in range(AT_ONCE - 1):
        assert locked.ask("POST", "/login", f"token=guess-{number}".encode()).status_code == 403
    assert locked.get("/", authorization="Bearer guess").status_code == 401

    form = locked.ask("POST", "/login?to=/history", f"token={TOKEN}".encode())
    assert (form.status_code, form.headers["retry-after"]) == (429, "3")  # RFC 6585, 4; RFC 9110, 10.2.3
    assert "Too many wrong tokens came from your address" in form.text
    assert 'action="/login?to=/history"' in form.text
    assert "set-cookie" not in form.headers
    asked = locked.get("/", authorization=f"Bearer {TOKEN}")
    assert (asked.status_code, asked.headers["retry-after"]) == (429, "3")
    assert "There are no runs" not in asked.text
    assert locked.get("/", cookie=session).status_code == 200, "who has a session is not in question"
    assert locked.get("/login").status_code == 200
    assert [said.partition(";")[0] for said in locked.notices] == [f"{AT_ONCE} wrong tokens came from 127.0.0.1"]

    clock.sleep(EVERY_S)
    assert locked.get("/", authorization=f"Bearer {TOKEN}").status_code == 200
    assert locked.ask("POST", "/login", f"token={TOKEN}".encode()).status_code == 303


def test_requests_without_any_token_are_no_guesses(locked: Served) -> None:
    for _ in range(3 * AT_ONCE):
        assert locked.get("/", cookie="trialbed=old").status_code == 401
        assert locked.get("/", authorization="Basic Zm9v").status_code == 401
    assert locked.get("/", authorization=f"Bearer {TOKEN}").status_code == 200
