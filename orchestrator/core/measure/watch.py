"""A trial watched while it runs: still warming up, measuring, measured enough, or given up.

The whole series is judged anew after each reading, by the same functions as in the end; nothing is remembered from one
look to the next, so that a judgement can be repeated from the stored series.

Looking each second and stopping at the first narrow interval stops when the spread happens to look small; the coverage
of such intervals falls short, most at early looks (Chow & Robbins 1965 for the limit; Law & Kelton, ch. 9). Five
brakes: the cut with its whole safety margin lies in the first half; the interval that must be narrow enough is one of a
stricter confidence; it must have been so some readings ago as well; both halves of the window must agree; and what the
warm-up may have left behind is small (:mod:`~orchestrator.core.measure.warm_up_tail`). Nor is a trial given up at the
first look that finds it unsteady: a second, without the last tenth, must find the same.

What comes after an early stop cannot be seen: throttling after minutes shows only in a trial that lasts minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.mean import finite_values, mean_interval, relative_half_width
from orchestrator.core.measure.results import Interval, Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.steady_state import NotSteady, steady_state
from orchestrator.core.measure.warm_up_tail import left_of_warm_up
from orchestrator.core.measure.window import HALF_A_SAMPLE, SteadyWindow, steady_window
from orchestrator.units import format_duration, format_percent

STRICTER = 0.5
"""An early stop takes an interval with so much of the error probability (97.5 % for 95 %)."""
HALVES = 0.5
"""The means of the window's halves may differ by so much of the target."""
REMAINDER = 1 / 3
"""What the warm-up may have left in the window's mean, of the target."""
LOOK_BACK = 0.1
"""The second look is at the window without its last tenth."""


@dataclass(frozen=True)
class Warming:
    """No steady state yet; ``detail`` says what is missing."""

    detail: str


@dataclass(frozen=True)
class Measuring:
    """Steady since ``window.start_s``, but not yet long enough or not yet within ``target`` (a share of the mean)."""

    window: Window
    interval: Interval
    target: float


@dataclass(frozen=True)
class Enough:
    """Measured: the workload may be stopped."""

    window: Window
    interval: Interval
    why: str


@dataclass(frozen=True)
class GaveUp:
    """No steady state within the plan's limits, and why."""

    reason: str


State: TypeAlias = Warming | Measuring | Enough | GaveUp


def watch(series_so_far: Throughput, launched_s: float, rules: Measure, confidence: float, now_s: float) -> State:
    """Judge a running trial.

    Args:
        series_so_far: everything read since launch; seconds in the controller's monotonic time.
        launched_s: when the workload was launched.
        rules: the plan's limits. Not before ``warm-up.at-least`` is anything called steady. The measured stretch lasts
            ``steady.at-least``, ends early when the interval is within ``steady.until-within``, and in any case at
            ``steady.at-most``. Without a steady state after ``warm-up.at-most`` + ``steady.at-least`` the trial is
            given up, unless one has begun in time and only needs longer to be proved; never is it watched longer than
            both at-most together.
        confidence: of the interval.
        now_s: the time.
    """
    elapsed = now_s - launched_s
    if elapsed < rules.warm_up.at_least:
        return Warming(f"{format_duration(rules.warm_up.at_least - elapsed)} left of the shortest warm-up")
    found = steady_window(series_so_far, launched_s=launched_s, rules=rules, confidence=confidence)
    if isinstance(found, NotSteady):
        return _not_yet(found, series_so_far, launched_s, rules, elapsed)
    slack = HALF_A_SAMPLE * rules.every
    least, most = rules.steady.at_least - slack, rules.steady.at_most - slack
    if found.length_s >= least and _is_precise(found, series_so_far, rules.steady.until_within, confidence):
        why = f"the interval is {_width(found.interval)}, within the {_target(rules)} asked for"
        return Enough(found.window, found.interval, why)
    over = elapsed >= _longest(rules)
    if found.length_s >= most or (found.length_s >= least and over):
        spent = f"{format_duration(found.length_s)} were measured, which is all that is allowed"
        why = f"{spent}; the interval is {_width(found.interval)} ({_target(rules)} asked for)"
        return Enough(found.window, found.interval, why)
    if over:
        since, wanted = format_duration(found.window.start_s), format_duration(rules.steady.at_least)
        return GaveUp(f"became steady only {since} after launch, too late to measure for {wanted}")
    return Measuring(found.window, found.interval, rules.steady.until_within)


def _not_yet(
    found: NotSteady, series: Throughput, launched_s: float, rules: Measure, elapsed: float
) -> Warming | GaveUp:
    if elapsed < rules.warm_up.at_most + rules.steady.at_least:
        return Warming(found.reason)
    if elapsed < _longest(rules) and not _was_unsteady(series):
        return Warming(found.reason)
    if (
        found.start_index is not None
        and elapsed < _longest(rules)
        and series.time_s[found.start_index] - launched_s <= rules.warm_up.at_most
    ):
        return Warming(found.reason)
    if not series.rate:
        return GaveUp(f"no throughput was read in {format_duration(elapsed)}")
    return GaveUp(f"not steady within {format_duration(elapsed)}: {found.reason}")


def _was_unsteady(series: Throughput) -> bool:
    """Whether the series without its last tenth was not steady either: one look may be deceived, two seldom are."""
    return isinstance(steady_state(series.rate[: len(series.rate) - _back(len(series.rate))]), NotSteady)


def _back(readings: int) -> int:
    return max(1, round(LOOK_BACK * readings))


def _longest(rules: Measure) -> float:
    return rules.warm_up.at_most + rules.steady.at_most


def _is_precise(found: SteadyWindow, series: Throughput, target: float, confidence: float) -> bool:
    if not (found.firm and found.is_within(target)):
        return False
    stricter = 1 - STRICTER * (1 - confidence)
    back = _back(found.last + 1 - found.first)
    for last in (found.last + 1, found.last + 1 - back):
        look = mean_interval(series.rate[found.first : last], stricter, series.width_s[found.first : last])
        width = relative_half_width(look) if look is not None else None
        if width is None or width > target:
            return False
    return _halves_agree(found, series, target) and _has_faded(found, series, target)


def _halves_agree(found: SteadyWindow, series: Throughput, target: float) -> bool:
    rates = np.asarray(series.rate[found.first : found.last + 1])
    weights = np.where(np.isfinite(rates), series.width_s[found.first : found.last + 1], 0.0)
    middle = len(rates) // 2
    if min(weights[:middle].sum(), weights[middle:].sum()) <= 0:
        return False
    sums = weights * np.nan_to_num(rates)
    first, second = sums[:middle].sum() / weights[:middle].sum(), sums[middle:].sum() / weights[middle:].sum()
    return bool(abs(second - first) <= HALVES * target * abs(found.interval.mean))


def _has_faded(found: SteadyWindow, series: Throughput, target: float) -> bool:
    values, positions = finite_values(series.rate)
    first = int(np.searchsorted(positions, found.first))
    return left_of_warm_up(values, first) <= REMAINDER * target


def _width(interval: Interval) -> str:
    width = relative_half_width(interval)
    return "without bounds" if width is None else f"± {format_percent(width, 2)}"


def _target(rules: Measure) -> str:
    return f"± {format_percent(rules.steady.until_within, 2)}"
