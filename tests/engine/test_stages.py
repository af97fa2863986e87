"""The stage table and its bounded retries, in virtual time."""

from __future__ import annotations

from itertools import pairwise

import pytest
from scipy import stats

from orchestrator.engine.stages import STAGES, Jitter, Remaining, Retry, Stage, attempt, jitter
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault, HostFault, StageError


def failing(times: int, error: StageError):
    """An action that fails so many times and then answers 'done'."""
    left = [times]

    def action(_remaining: Remaining) -> str:
        if left[0] > 0:
            left[0] -= 1
            raise error
        return "done"

    return action


def test_the_table_names_every_stage_once_and_in_the_order_of_a_trial() -> None:
    names = [stage.name for stage in STAGES]
    before = ["reshape", "quiet", "start", "log in", "plug", "verify", "deploy", "neighbours"]
    assert names == [*before, "launch", "warm up", "measure", "stop"]


def test_every_stage_that_the_plan_does_not_limit_has_a_limit() -> None:
    assert [stage.name for stage in STAGES if stage.limit_s is None] == ["quiet", "warm up", "measure"]
    assert all(stage.retry.attempts is not None or stage.limit_s is not None for stage in STAGES)


def test_success_at_once_takes_one_try_and_no_time() -> None:
    clock = VirtualClock()
    assert attempt(Stage("verify", 10.0), failing(0, GuestFault("no")), clock) == "done"
    assert clock.monotonic() == 0


def test_what_may_pass_is_tried_again_with_growing_pauses() -> None:
    clock = VirtualClock()
    stage = Stage("verify", 60.0, Retry(attempts=4, first_wait_s=1.0, longest_wait_s=3.0))
    told: list[tuple[int, str]] = []
    answer = attempt(
        stage, failing(3, GuestFault("not yet", may_pass=True)), clock, lambda n, e: told.append((n, str(e)))
    )
    assert answer == "done"
    assert clock.monotonic() == pytest.approx(1 + 2 + 3)
    assert told == [(2, "not yet"), (3, "not yet"), (4, "not yet")]


def test_what_will_not_pass_fails_at_once() -> None:
    clock = VirtualClock()
    with pytest.raises(HostFault, match=r"^key changed$"):
        attempt(Stage("log in", 60.0, Retry(attempts=5)), failing(1, HostFault("key changed")), clock)
    assert clock.monotonic() == 0


def test_attempts_are_bounded_and_the_message_counts_them() -> None:
    clock = VirtualClock()
    stage = Stage("start", 60.0, Retry(attempts=3, first_wait_s=2.0))
    with pytest.raises(GuestFault, match=r"silent \(tried 3 times in 6 s\)"):
        attempt(stage, failing(9, GuestFault("silent", may_pass=True)), clock)


def test_without_a_number_of_attempts_the_limit_bounds_them() -> None:
    clock = VirtualClock()
    stage = Stage("log in", 20.0, Retry(attempts=None, first_wait_s=1.0, longest_wait_s=4.0))
    with pytest.raises(GuestFault, match="tried"):
        attempt(stage, failing(10_000, GuestFault("refused", may_pass=True)), clock)
    assert clock.monotonic() == pytest.approx(20.0)


@pytest.mark.parametrize("elapsed_s", [0.0, 0.1, 1234.5678, 1e6 / 3, 1e9 / 7])
def test_a_rest_that_rounding_leaves_over_is_not_waited_for_again_and_again(elapsed_s: float) -> None:
    clock = VirtualClock()
    clock.sleep(elapsed_s)
    stage = Stage("log in", 180.0, Retry(attempts=None, first_wait_s=0.1, longest_wait_s=3.0))
    tries: list[int] = []
    with pytest.raises(GuestFault):
        attempt(stage, failing(10_000, GuestFault("refused", may_pass=True)), clock, lambda n, _e: tries.append(n))
    assert len(tries) < 100
    assert clock.monotonic() - elapsed_s == pytest.approx(180.0, abs=0.01)


def pauses(shorten: Jitter) -> list[float]:
    """The pauses between tries of a stage that would wait 1, 2, 4, 8 and 8 s."""
    clock = VirtualClock()
    began_s: list[float] = []

    def action(_remaining: Remaining) -> None:
        began_s.append(clock.monotonic())
        raise GuestFault("not yet", may_pass=True)

    with pytest.raises(GuestFault):
        attempt(Stage("deploy", 900.0, Retry(attempts=6)), action, clock, jitter=shorten)
    return [after - before for before, after in pairwise(began_s)]


def test_pauses_grow_and_lose_up_to_half_of_themselves_by_chance() -> None:
    longest = [1.0, 2.0, 4.0, 8.0, 8.0]
    assert pauses(lambda _tries: 0.0) == longest
    assert pauses(lambda _tries: 1.0) == [pause / 2 for pause in longest]
    for key in ("bookings-1", "bookings-2", "tickets-1"):
        for pause, most in zip(pauses(jitter(key, "trial-1")), longest, strict=True):
            assert most / 2 <= pause <= most


def test_the_chance_in_pauses_is_another_for_another_guest_and_the_same_again_for_the_same() -> None:
    assert pauses(jitter("bookings-1", "trial-1")) == pauses(jitter("bookings-1", "trial-1"))
    assert pauses(jitter("bookings-1", "trial-1")) != pauses(jitter("bookings-2", "trial-1"))


def test_the_chance_in_pauses_is_spread_evenly() -> None:
    """Kolmogorov's test against the uniform distribution, of SciPy."""
    drawn = [jitter("bookings-1", f"trial-{trial}")(tries) for trial in range(200) for tries in range(1, 6)]
    assert stats.kstest(drawn, "uniform").pvalue > 0.01


def test_when_no_time_is_left_the_reason_is_that_of_the_last_try_which_had_some() -> None:
    clock = VirtualClock()
    tried: list[float] = []

    def log_in(remaining: Remaining) -> None:
        tried.append(remaining())
        reason = "refused" if remaining() > 0 else "no connection within 0 s: the machine is off"
        raise GuestFault(reason, may_pass=True)

    stage = Stage("log in", 10.0, Retry(attempts=None, first_wait_s=0.1, longest_wait_s=0.5))
    with pytest.raises(GuestFault, match=r"^refused \(tried [0-9]+ times in 10 s\)$") as caught:
        attempt(stage, log_in, clock)
    assert f"tried {len(tried)} times" in str(caught.value)
    assert min(tried) > 0
    assert clock.monotonic() == pytest.approx(10.0)


def test_an_action_is_told_the_time_that_is_left() -> None:
    clock = VirtualClock()
    seen: list[float] = []

    def action(remaining: Remaining) -> None:
        seen.append(remaining())
        clock.sleep(4)
        seen.append(remaining())
        clock.sleep(40)
        seen.append(remaining())

    attempt(Stage("deploy", 10.0), action, clock)
    assert seen == [10.0, 6.0, 0.0]


def test_other_exceptions_are_not_caught() -> None:
    def action(_remaining: Remaining) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        attempt(Stage("verify", 10.0, Retry(attempts=3)), action, VirtualClock())
