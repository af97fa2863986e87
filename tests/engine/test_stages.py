"""The stage table and its bounded retries, in virtual time."""

from __future__ import annotations

import pytest

from orchestrator.engine.stages import STAGES, Remaining, Retry, Stage, attempt
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
    before = ["reshape", "start", "log in", "plug", "verify", "deploy", "neighbours"]
    assert names == [*before, "launch", "warm up", "measure", "stop"]


def test_every_stage_that_the_plan_does_not_limit_has_a_limit() -> None:
    assert [stage.name for stage in STAGES if stage.limit_s is None] == ["warm up", "measure"]
    assert all(stage.retry.attempts is not None or stage.limit_s is not None for stage in STAGES)


def test_success_at_once_takes_one_try_and_no_time() -> None:
    clock = VirtualClock()
    assert attempt(Stage("verify", 10.0), failing(0, GuestFault("no")), clock) == ("done", 1)
    assert clock.monotonic() == 0


def test_what_may_pass_is_tried_again_with_growing_pauses() -> None:
    clock = VirtualClock()
    stage = Stage("verify", 60.0, Retry(attempts=4, first_wait_s=1.0, longest_wait_s=3.0))
    told: list[tuple[int, str]] = []
    answer = attempt(
        stage, failing(3, GuestFault("not yet", may_pass=True)), clock, lambda n, e: told.append((n, str(e)))
    )
    assert answer == ("done", 4)
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
