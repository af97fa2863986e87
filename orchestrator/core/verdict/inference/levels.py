"""Where time is best spent: more trials, or longer ones (Kalibera & Jones 2013, ISMM; technical report 4-12).

A measurement repeats on several levels: seconds within a trial, trials within a cell. Each level has a variance of its
own, and repeating what varies most is what narrows the interval. Level 1 is the innermost.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from orchestrator.core.verdict.inference.power import blocks_to_clear
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter

Nested: TypeAlias = "Sequence[float] | Sequence[Nested]"

#: Windows that may be advised, in seconds. A shorter one does not hold the slowdowns that recur every 20-120 s in most
#: workloads; a longer one than an hour blocks a host for what two trials tell better (common practice, no published
#: source).
_WINDOWS_S = tuple(round(120 * 2 ** (step / 2), -1) for step in range(11))
#: Time saved that makes another window worth the trouble, a share (common practice, no published source).
_WORTH_IT = 0.10
_SECONDS_PER_MINUTE = 60.0


@dataclass(frozen=True)
class Levels:
    """Variances of a nested experiment, innermost level first.

    Attributes:
        mean: over all readings.
        counts: repetitions on each level.
        biased: S_i^2, the variance of what level i sees: means of the level below about their common mean.
        own: T_i^2 = S_i^2 - S_(i-1)^2 / r_(i-1), what level i itself adds. Negative where the level below explains
            more than all of it: the level adds nothing that could be seen, and needs no repetition.
    """

    mean: float
    counts: tuple[int, ...]
    biased: tuple[float, ...]
    own: tuple[float, ...]

    @property
    def without_effect(self) -> tuple[int, ...]:
        """The levels (from 1) whose own variance came out at or below 0."""
        return tuple(number for number, variance in enumerate(self.own, 1) if variance <= 0)


def variances(readings: Nested) -> Levels:
    """Variances on each level of a complete nested experiment.

    Args:
        readings: nested sequences, outermost level first; equally many on each level, at least two.

    Raises:
        ValueError: when they are not.
    """
    counts = tuple(reversed(list(_shape(readings))))
    biased: list[float] = []
    innermost = list(_innermost(readings))
    # From the first reading: differences of neighbouring floats are exact, sums of large ones are not.
    origin = innermost[0][0]
    groups: list[Sequence[float]] = [[reading - origin for reading in group] for group in innermost]
    for _ in counts:
        means = [math.fsum(group) / len(group) for group in groups]
        squares = [math.fsum((x - m) ** 2 for x in g) / (len(g) - 1) for g, m in zip(groups, means, strict=True)]
        biased.append(math.fsum(squares) / len(squares))
        above = counts[len(biased)] if len(biased) < len(counts) else 1
        groups = [means[start : start + above] for start in range(0, len(means), above)]
    own = [biased[0], *(s - below / r for s, below, r in zip(biased[1:], biased, counts, strict=False))]
    return Levels(origin + groups[0][0], counts, tuple(biased), tuple(own))


def best_repetitions(own: Sequence[float], costs: Sequence[float]) -> tuple[int, ...]:
    """How often to repeat each level but the outermost: r_i = ceil(sqrt(c_(i+1) / c_i * T_i^2 / T_(i+1)^2)).

    Args:
        own: T_i^2, innermost first.
        costs: c_i: what one more repetition of level i costs beside its inner ones, in any one unit, innermost first.

    Returns:
        One number fewer than levels; 1 where the level adds nothing itself. Where the level above adds nothing, all
        repetition may happen within one of it, and the number is that of levels that weigh alike: no bound is known.
    """
    found = []
    for inner, outer, cost, dearer in zip(own, own[1:], costs, costs[1:], strict=False):
        ratio = inner / outer if inner > 0 and outer > 0 else 0.0 if inner <= 0 else math.inf
        best = math.sqrt(dearer / cost * ratio) if math.isfinite(ratio) else math.sqrt(dearer / cost)
        found.append(max(1, math.ceil(best - 1e-9)))
    return tuple(found)


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


def _shape(readings: Nested) -> Iterator[int]:
    """Repetitions of each level, outermost first; checked to be the same everywhere."""
    parts: list[Any] = [readings]
    while not isinstance(parts[0], int | float):
        sizes = {len(part) if isinstance(part, Sequence) else 0 for part in parts}
        if len(sizes) > 1 or min(sizes) < 2:
            raise ValueError("every level must be repeated equally often, at least twice")
        yield sizes.pop()
        parts = [inner for part in parts for inner in part]


def _innermost(readings: Any) -> Iterator[Sequence[float]]:
    if isinstance(readings[0], int | float):
        yield readings
    else:
        for inner in readings:
            yield from _innermost(inner)
