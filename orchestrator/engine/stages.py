"""The stages of a trial, as a table: how long each may take and what may be tried again.

A retry is for what may pass (a port that is not open yet, a busy host); what will not pass by waiting fails at once.
The errors themselves know which they are (:attr:`StageError.may_pass`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import tenacity

from orchestrator.engine.ports import Clock
from orchestrator.errors import StageError
from orchestrator.units import Seconds, format_duration

T = TypeVar("T")

Jitter = Callable[[int], float]
"""How much of what a pause may lose it loses, from 0 to 1, by the number of the try that failed."""


@dataclass(frozen=True)
class Retry:
    """A bounded retry, as a value.

    Attributes:
        attempts: how often the stage is tried at most; ``None`` bounds it by the stage's limit alone.
        first_wait_s, longest_wait_s: the pause doubles from the one to the other; up to half of it is taken off again
            by chance, so that runs that met the same trouble do not come back all at once.
    """

    attempts: int | None = 1
    first_wait_s: Seconds = 1.0
    longest_wait_s: Seconds = 8.0


@dataclass(frozen=True)
class Stage:
    """One row of the table.

    Attributes:
        limit_s: after so long nothing is tried again, and what waits gives up; ``None``: the plan limits it. (The plan
            also limits the wait for a launched workload's first figure.)
    """

    name: str
    limit_s: Seconds | None
    retry: Retry = Retry()


#: Where the host is away, because it or its hypervisor is started anew, it is waited for: each trial that failed at
#: once would bring the run nearer to giving the guest up.
RESHAPE = Stage("reshape", 120.0, Retry(attempts=None))
#: The plan says for how long a quiet host is waited for.
QUIET = Stage("quiet", None)
START = Stage("start", 60.0, Retry(attempts=2, first_wait_s=2.0))
#: A refusal costs a booting guest nothing, so it is asked often: what is waited for here is a part of every trial.
LOG_IN = Stage("log in", 180.0, Retry(attempts=None, first_wait_s=0.1, longest_wait_s=0.5))
PLUG = Stage("plug", 60.0)
VERIFY = Stage("verify", 30.0, Retry(attempts=2))
DEPLOY = Stage("deploy", 900.0, Retry(attempts=2))
#: Time for a neighbour's guest that has gone off to boot again, and for its load to start.
NEIGHBOURS = Stage("neighbours", 300.0)
LAUNCH = Stage("launch", 60.0, Retry(attempts=2))
WARM_UP = Stage("warm up", None)
MEASURE = Stage("measure", None)
STOP = Stage("stop", 120.0)

#: In their order; ``quiet`` only where a plan asks for it, ``plug`` only where a shape says ``reshape: live``,
#: ``neighbours`` only where a plan declares some.
STAGES: tuple[Stage, ...] = (
    RESHAPE,
    QUIET,
    START,
    LOG_IN,
    PLUG,
    VERIFY,
    DEPLOY,
    NEIGHBOURS,
    LAUNCH,
    WARM_UP,
    MEASURE,
    STOP,
)


#: Less than this is no time: a rest that rounding leaves over must not be waited for again and again.
_NOTHING_S = 1e-3


#: A pause loses half of itself at most (M. Brooker, 2015, "Exponential Backoff And Jitter": equal jitter).
_JITTERED = 0.5


def jitter(*key: str) -> Jitter:
    """Chance that can be repeated: by SHA-256, as the order of the trials, so that a run goes again as it went.

    Args:
        key: what the tries belong to; with another key the pauses are others.
    """

    def share(tries: int) -> float:
        digest = hashlib.sha256("/".join((*key, str(tries))).encode()).digest()
        return int.from_bytes(digest[:8], "big") / 2**64

    return share


class Remaining:
    """The time a stage has left; handed to each step that waits."""

    def __init__(self, stage: Stage, clock: Clock) -> None:
        self._stage, self._clock, self._began_s = stage, clock, clock.monotonic()

    def spent_s(self) -> Seconds:
        """Seconds since the stage began."""
        return self._clock.monotonic() - self._began_s

    def __call__(self) -> Seconds:
        """Seconds left, never negative; without end for a stage that the plan limits."""
        if self._stage.limit_s is None:
            return float("inf")
        left_s = self._stage.limit_s - self.spent_s()
        return left_s if left_s > _NOTHING_S else 0.0


def attempt(
    stage: Stage,
    action: Callable[[Remaining], T],
    clock: Clock,
    again: Callable[[int, StageError], None] = lambda _attempt, _error: None,
    jitter: Jitter = lambda _tries: 0.0,
) -> T:
    """Do a stage's action within its limit, trying again what may pass.

    Args:
        stage: the row of the table.
        action: what to do; is told the time that is left.
        clock: measures the limit and waits between tries.
        again: is told the number of the next try and why the last one failed.
        jitter: shortens the pauses; by default nothing does.

    Raises:
        StageError: the last failure, of the type that says whose fault it is, with the number of tries in its text.
    """
    remaining = Remaining(stage, clock)
    tries = 0
    failed: StageError | None = None

    def once() -> T:
        nonlocal tries, failed
        if failed is not None and remaining() <= 0:
            raise failed  # a try without time would fail for want of it, and say so in place of the reason
        tries += 1
        try:
            return action(remaining)
        except StageError as error:
            failed = error
            raise

    def before_sleep(state: tenacity.RetryCallState) -> None:
        error = state.outcome.exception() if state.outcome is not None else None
        if isinstance(error, StageError):
            again(tries + 1, error)

    attempts = stage.retry.attempts
    growing = tenacity.wait_exponential(multiplier=stage.retry.first_wait_s, max=stage.retry.longest_wait_s)
    retrying = tenacity.Retrying(
        sleep=clock.sleep,
        stop=lambda _state: remaining() <= 0 or (attempts is not None and tries >= attempts),
        wait=lambda state: min(growing(state) * (1 - _JITTERED * jitter(state.attempt_number)), remaining()),
        retry=tenacity.retry_if_exception(lambda error: isinstance(error, StageError) and error.may_pass),
        before_sleep=before_sleep,
        reraise=True,
    )
    try:
        return retrying(once)
    except StageError as error:
        if tries == 1:
            raise
        text = f"{error} (tried {tries} times in {format_duration(remaining.spent_s())})"
        raise error.reworded(text) from error
