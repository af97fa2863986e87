"""A trial watched while it runs: still warming up, measuring, measured enough, or given up.

The whole series is judged anew at each look, by the same functions as in the end; nothing is remembered from one look
to the next, so that a judgement can be repeated from the stored series.

*Steady now.* That the warm-up is over is a probability (:mod:`~orchestrator.core.measure.steady.transient`): it has to
be high, and the likely end some time ago. Two waits answer what no series can show. A level that has changed and
settled is believed sooner than one that never changed, since a warm-up may begin with a level stretch, and jump.

*Enough.* Looking often and stopping at the first narrow interval stops when the spread happens to look small; the
coverage of such intervals falls short, most at early looks (Chow & Robbins 1965 for the limit; Law & Kelton, ch. 9).
The brakes: a least time, and a least number of independent values, so that strong autocorrelation asks for a longer
trial and not for a wrong answer; the warm-up is over with a high probability; the interval is one of a stricter
confidence (:data:`~orchestrator.core.measure.window.LOOKS`), and must have been narrow enough some readings
ago as well; both halves of the window must agree. What the warm-up may have left in the mean is part of the interval
(:mod:`~orchestrator.core.measure.mean`). Nor is a trial given up at the first look that finds it unsteady: two more,
at shorter beginnings of it, must find the same.

What comes after an early stop cannot be seen: throttling after minutes shows only in a trial that lasts minutes, and a
step of the level after the waits below is one. Whoever needs to know asks for a long ``steady.at-least``.

The waits are those of minutes-long trials (measured on series of known truth with steps up to four minutes after
launch) and shorter in a plan whose limits are: who allows a minute in all says that the workload settles in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.mean import FEWEST_FOR_BOUNDS, mean_interval, relative_half_width
from orchestrator.core.measure.results import Interval, Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.steady.steady_state import FEWEST, NotSteady, steady_state
from orchestrator.core.measure.steady.transient import WarmUp
from orchestrator.core.measure.window import HALF_A_SAMPLE, Even, SteadyWindow, interval_over, window_from
from orchestrator.units import format_duration, format_percent

HALVES = 2.0
"""The means of the window's halves may differ by so many times the target: by chance they do by twice the interval."""
LOOK_BACK = 0.1
"""The second look is at the window without its last tenth."""
LOOKS_BACK = (0.15, 0.3)
"""Before a trial is given up, it is looked at without so much of its end as well."""
HOPELESS = 100
"""Readings below which no trial is given up before its time is over: of fewer, noise may still look like a drift. Where
there are too few to say anything (:data:`~orchestrator.core.measure.steady.steady_state.FEWEST`), waiting would not
help."""
ALMOST = 1.1
"""Its interval, which has fewer readings, may be wider than the target by so much."""
FEWEST_INDEPENDENT = 5
"""Independent values that an early stop takes at least; fewer where the plan's shortest stretch holds few readings."""
OVER = 0.97
"""Probability with which the warm-up must be over."""
IN_TIME = 0.2
"""A trial is not given up while the warm-up may have ended within its limit with this probability."""
SURELY = 0.95
"""Its end is taken where it is over with this probability."""


@dataclass(frozen=True)
class Wait:
    """A wait: so many seconds, or so much of the longest trial that the plan allows where that is less."""

    seconds: float
    share: float

    def of(self, rules: Measure) -> float:
        """In seconds, less half a sampling period: readings never fall exactly on a limit."""
        return min(self.seconds, self.share * longest(rules)) - HALF_A_SAMPLE * rules.every


SINCE_END = Wait(40.0, 0.06)
"""From the end of the warm-up, before anything is called steady."""
NOW_LEVEL, NOW_CHANGED = Wait(180.0, 0.25), Wait(100.0, 0.12)
"""From launch, before a series is called steady that was level all along, or that has changed and settled."""
ENOUGH_LEVEL, ENOUGH_CHANGED = Wait(220.0, 0.3), Wait(160.0, 0.2)
"""The same before a trial ends early."""
WINDOW = Wait(60.0, 0.1)
"""The shortest window of a trial that ends early."""


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
    if (left_s := _soonest(rules) - elapsed) > 0:
        return Warming(f"nothing is said of so short a time; {format_duration(left_s)} to the first judgement")
    even = Even.of(series_so_far)
    judged = steady_state(even.rates)
    found: SteadyWindow | NotSteady = (
        judged
        if isinstance(judged, NotSteady)
        else window_from(even, judged, launched_s=launched_s, rules=rules, confidence=confidence)
    )
    over = _Over(judged.ended, even, launched_s, rules, elapsed)
    if isinstance(found, NotSteady):
        return _soon(found, even, over, confidence) or _not_yet(found, even, over)
    return _measured(found, even, over, confidence)


def _measured(found: SteadyWindow, even: Even, over: _Over, confidence: float) -> State:
    """What is said of a series that is steady."""
    rules, elapsed = over.rules, over.elapsed
    slack = HALF_A_SAMPLE * rules.every
    least, most = rules.steady.at_least - slack, rules.steady.at_most - slack
    if (
        found.length_s >= least
        and over.since(ENOUGH_LEVEL, ENOUGH_CHANGED)
        and _is_precise(found, even, rules, confidence)
    ):
        why = f"the interval is {_width(found.interval)}, within the {_target(rules)} asked for"
        return Enough(found.window, found.interval, why)
    spent = elapsed >= longest(rules)
    if found.length_s >= most or (found.length_s >= least and spent):
        measured = f"{format_duration(found.length_s)} were measured, which is all that is allowed"
        why = f"{measured}; the interval is {_width(found.interval)} ({_target(rules)} asked for)"
        return Enough(found.window, found.interval, why)
    if spent:
        since, wanted = format_duration(found.window.start_s), format_duration(rules.steady.at_least)
        return GaveUp(f"became steady only {since} after launch, too late to measure for {wanted}")
    if not over.since(NOW_LEVEL, NOW_CHANGED):
        return Warming(over.missing())
    return Measuring(found.window, found.interval, rules.steady.until_within)


def _soonest(rules: Measure) -> float:
    """Seconds before which the answer is *warming*, whatever was seen: a series need not be judged to say so."""
    slack = HALF_A_SAMPLE * rules.every
    over = rules.warm_up.at_most + rules.steady.at_least
    return min(NOW_CHANGED.of(rules), rules.warm_up.at_least + rules.steady.at_most - slack, over)


def longest(rules: Measure) -> float:
    """Seconds after which a trial is not watched any longer, whatever was seen."""
    return rules.warm_up.at_most + rules.steady.at_most


@dataclass(frozen=True)
class _Over:
    """Whether the warm-up is over; ``ended`` is ``None`` where all readings are equal (or next to none)."""

    ended: WarmUp | None
    even: Even
    launched_s: float
    rules: Measure
    elapsed: float

    def since(self, level: Wait, changed: Wait) -> bool:
        """Whether it is over, and has been for long enough."""
        if self.elapsed < (changed if self._has_changed() else level).of(self.rules):
            return False
        if self.ended is None:
            return True
        return self._probability() >= OVER and self.elapsed - self.end_s() >= SINCE_END.of(self.rules)

    def end_s(self) -> float:
        """When it was surely over, in seconds since launch."""
        if self.ended is None:
            return 0.0
        held = np.flatnonzero(np.isfinite(self.even.rates))
        end = min(self.ended.end(SURELY), len(held) - 1)
        return self._start_s(int(held[end]))

    def in_time(self, found: NotSteady) -> bool:
        """Whether a series that is not steady may only have been seen for too short a time."""
        limit = self.rules.warm_up.at_most
        if found.start_index is not None and self._start_s(found.start_index) <= limit:
            return True
        if found.kind not in {"too short", "unfinished warm-up"} or self.ended is None:
            return False
        held = np.flatnonzero(np.isfinite(self.even.rates))
        by = sum(1 for place in held if self._start_s(int(place)) <= limit)
        return self.ended.ended_by(by) >= IN_TIME

    def _start_s(self, place: int) -> float:
        return self.even.start_s(self.even.reading(place), self.launched_s)

    def missing(self) -> str:
        """What is waited for, in words."""
        if self.ended is not None and self._probability() < OVER:
            return f"the warm-up is over with a probability of {format_percent(self._probability())}"
        return "looks steady; it takes a little longer to be sure"

    def _probability(self) -> float:
        return 1.0 if self.ended is None else self.ended.ended_by(self.ended.readings - 1)

    def _has_changed(self) -> bool:
        return self.ended is not None and self.ended.end(0.5) > 1


def _soon(found: NotSteady, even: Even, over: _Over, confidence: float) -> Measuring | None:
    """A series that has settled, but not yet for as long as it took, is being measured already."""
    if found.kind != "too short" or found.ended is None or not over.since(NOW_LEVEL, NOW_CHANGED):
        return None
    begin = max(over.end_s(), over.rules.warm_up.at_least)
    starts = np.array([even.start_s(reading, over.launched_s) for reading in range(len(even.at))])
    first = int(np.searchsorted(starts, begin - HALF_A_SAMPLE * over.rules.every))
    if len(even.at) - first < FEWEST_FOR_BOUNDS:
        return None
    kept = slice(int(even.at[first]), None)
    interval = mean_interval(even.rates[kept], confidence, even.widths[kept])
    if interval is None:
        return None
    window = Window(start_s=float(starts[first]), end_s=even.series.time_s[-1] - over.launched_s)
    return Measuring(window, interval, over.rules.steady.until_within)


def _not_yet(found: NotSteady, even: Even, over: _Over) -> Warming | GaveUp:
    rules, elapsed = over.rules, over.elapsed
    if elapsed < rules.warm_up.at_most + rules.steady.at_least:
        return Warming(found.reason)
    if elapsed < longest(rules) and (over.in_time(found) or not _was_unsteady(even)):
        return Warming(found.reason)
    if not even.series.rate:
        return GaveUp(f"no throughput was read in {format_duration(elapsed)}")
    return GaveUp(f"not steady within {format_duration(elapsed)}: {found.reason}")


def _was_unsteady(even: Even) -> bool:
    """Whether the series was not steady a while ago either: one look may be deceived, three seldom are."""
    n = len(even.rates)
    if FEWEST <= n < HOPELESS:
        return False
    shorter = (n - max(1, round(share * n)) for share in LOOKS_BACK)
    return all(isinstance(steady_state(even.rates[:readings]), NotSteady) for readings in shorter)


def _is_precise(found: SteadyWindow, even: Even, rules: Measure, confidence: float) -> bool:
    target = rules.steady.until_within
    if not found.is_within(target) or found.length_s < WINDOW.of(rules):
        return False
    fewest = min(FEWEST_INDEPENDENT, rules.steady.at_least / rules.every / 2)
    back = max(1, round(LOOK_BACK * (found.last + 1 - found.first)))
    before = interval_over(even, found, found.last - back, confidence)
    width = None if before is None else relative_half_width(before)
    if width is None or width > ALMOST * target or (found.interval.effective_samples or 0) < fewest:
        return False
    return _halves_agree(found, even, target)


def _halves_agree(found: SteadyWindow, even: Even, target: float) -> bool:
    kept = slice(int(even.at[found.first]), int(even.at[found.last]) + 1)
    rates = even.rates[kept]
    weights = np.where(np.isfinite(rates), even.widths[kept], 0.0)
    middle = len(rates) // 2
    if min(weights[:middle].sum(), weights[middle:].sum()) <= 0:
        return False
    rates = np.nan_to_num(rates)
    first, second = (
        float(weights[half] / weights[half].sum() @ rates[half]) for half in (slice(middle), slice(middle, None))
    )
    return bool(abs(second - first) <= HALVES * target * abs(found.interval.mean))


def _width(interval: Interval) -> str:
    width = relative_half_width(interval)
    return "without bounds" if width is None else f"± {format_percent(width, 2)}"


def _target(rules: Measure) -> str:
    return f"± {format_percent(rules.steady.until_within, 2)}"
