"""Where time is best spent: more trials, or longer ones (Kalibera & Jones 2013, ISMM; technical report 4-12).

A measurement repeats on two levels: seconds within a trial, trials within a cell. Each has a variance of its own, and
repeating what varies most is what narrows the interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from orchestrator.core.verdict.inference.power import blocks_to_clear
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter

#: Windows that may be advised, in seconds. A shorter one does not hold the slowdowns that recur every 20-120 s in most
#: workloads; a longer one than an hour blocks a host for what two trials tell better (common practice, no published
#: source).
_WINDOWS_S = tuple(round(120 * 2 ** (step / 2), -1) for step in range(11))
#: Time saved that makes another window worth the trouble, a share (common practice, no published source).
_WORTH_IT = 0.10
_SECONDS_PER_MINUTE = 60.0


@dataclass(frozen=True)
class Spending:
    """One way to spend time on one comparison of two cells.

    Attributes:
        window_s: steady seconds measured in each trial.
        trials: of each cell; ``None`` when more than a plan can hold.
        minutes: for both cells in all, switching and warm-up included; ``None`` with ``trials``.
    """

    window_s: float
    trials: int | None
    minutes: float | None


@dataclass(frozen=True)
class Advice:
    """How the minutes are best spent.

    Attributes:
        now: the window as it is measured now.
        best: the window that needs least time.
        from_seconds: share of the variance of one trial's mean that longer trials would lower, with the window of now.
        longer: whether trials should be longer (true), shorter (false), or may stay (``None``).
    """

    now: Spending
    best: Spending
    from_seconds: float
    longer: bool | None


def advice(  # noqa: PLR0913 - one keyword for each quantity
    *,
    within: float,
    between: float,
    overhead_s: float,
    window_s: float,
    target: float,
    confidence: float = 0.95,
    df_per_block: float = 1.0,
) -> Advice:
    """Trials against seconds within a trial, for telling two cells apart that differ by ``target``.

    The variance of one trial's log mean over a window of w seconds is ``between + within / w``; its cost ``overhead_s +
    w`` seconds. The best window without regard to whole trials is ``sqrt(overhead * within / between)``, Kalibera &
    Jones' r_1 with seconds as the innermost level; the number of trials follows from the power of the t-test, so that
    few degrees of freedom count as well.

    Args:
        within: long-run variance of the log throughput, in seconds: the variance of the mean of w seconds, times w.
        between: variance of trials' log means beyond it.
        overhead_s: seconds a trial costs beside its window: reset, start, warm-up, stop.
        window_s: as measured now.
        target: log ratio to be told from 0, or half the width of equivalence; the margin is the usual one.
        confidence: of the interval, corrected for the number of comparisons.
        df_per_block: see :class:`~orchestrator.core.verdict.inference.uncertainty.Scatter`.

    Raises:
        ValueError: when a variance is negative or a time or the target not above 0.
    """
    if within < 0 or between < 0 or min(overhead_s, window_s, target) <= 0:
        raise ValueError("advice needs variances of 0 or more, and times and a target above 0")

    def spend(window: float) -> Spending:
        sd = math.sqrt(2 * (between + within / window))
        estimate = LogEstimate(target, 2, sd / math.sqrt(2), df_per_block, Scatter(sd, df_per_block))
        trials = blocks_to_clear(estimate, 0.0, confidence)
        minutes = 2 * trials * (overhead_s + window) / _SECONDS_PER_MINUTE if trials is not None else None
        return Spending(window, trials, minutes)

    now = spend(window_s)
    best = min((now, *map(spend, _WINDOWS_S)), key=lambda way: (_length(way), way.window_s))
    if best.minutes is None or best.minutes > (1 - _WORTH_IT) * _length(now):
        best = now
    whole = between + within / window_s
    return Advice(
        now=now,
        best=best,
        from_seconds=within / window_s / whole if whole > 0 else 0.0,
        longer=None if best.window_s == window_s else best.window_s > window_s,
    )


def _length(way: Spending) -> float:
    return math.inf if way.minutes is None else way.minutes
