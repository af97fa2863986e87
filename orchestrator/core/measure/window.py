"""The steady window of a throughput series under a plan's rules, the same while a trial runs and after its end.

A window begins where the warm-up is surely over, which is not known to the second: that uncertainty is carried as
``earliest_s`` and ``latest_s``, and what a slow warm-up may have left in the mean enters the interval
(:mod:`~orchestrator.core.measure.steady.transient`). Where slowdowns come back at even distances, it holds whole
periods.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.cleaning import LeftOut, clean
from orchestrator.core.measure.cycles import whole_cycles
from orchestrator.core.measure.grid import places, spread, usual_step
from orchestrator.core.measure.mean import FEWEST_FOR_BOUNDS, Remainder, mean_interval, relative_half_width
from orchestrator.core.measure.readings import Values
from orchestrator.core.measure.results import Interval, Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.steady.periodic import Period
from orchestrator.core.measure.steady.steady_state import NotSteady, Steady, steady_state
from orchestrator.units import format_duration

HALF_A_SAMPLE = 0.5
"""Limits in seconds are met to within half a sampling period: readings never fall exactly on them."""
FEWEST_CYCLES = 2
"""A window that holds fewer whole periods is not shortened to them."""
LOOKS = 0.5
"""A watched trial ends when its interval looks narrow, so the interval has to be one of a stricter confidence to hold
what it says: half the error probability (97.5 % for 95 %), found on series of known truth with a look whenever a trial
has grown by a twentieth. (Chow & Robbins 1965: the limit is right, early looks are not.)"""
WATCHED_WEIGHT = 2.5
"""Deviations of what the warm-up left, in the interval of a watched trial: the trial ends when little seems to be left,
and its window is short. Found together with ``LOOKS``: with 1.25 nine in ten were covered, with 2.5 19 in 20."""
BESIDE = 2
"""A boundary lies in no slowdown when so many readings on either side are in none."""


@dataclass(frozen=True)
class SteadyWindow:
    """A steady stretch of a series.

    Attributes:
        first, last: its first and last reading, as indices of the series.
        window: the time it covers, in seconds since launch.
        interval: operations per second, each reading weighted by the length of its interval.
        firm: see :class:`~orchestrator.core.measure.steady.steady_state.Steady`.
        earliest_s, latest_s: where the warm-up ends, as an interval; in seconds since launch.
        period: of slowdowns that come back; ``None`` where none were found.
        period_s: the same in seconds.
        remainder: what the warm-up has left in the mean; taken off in the interval.
        left_out: readings that cannot be true, as indices of the series.
    """

    first: int
    last: int
    window: Window
    interval: Interval
    firm: bool = True
    earliest_s: float | None = None
    latest_s: float | None = None
    period: Period | None = None
    period_s: float | None = None
    remainder: Remainder = field(default_factory=Remainder)
    left_out: tuple[LeftOut, ...] = ()

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self.window.end_s - self.window.start_s

    def is_within(self, target: float) -> bool:
        """Whether the interval's half-width is at most this share of the mean."""
        width = relative_half_width(self.interval)
        return width is not None and width <= target


@dataclass(frozen=True)
class Even:
    """A throughput series on an even grid of time, without readings that cannot be true.

    Attributes:
        series: as it was read.
        rates, widths: at each place of the grid; NaN where nothing usable was read.
        at: the place of each reading.
        left_out: readings that cannot be true, as indices of the series.
    """

    series: Throughput
    rates: Values = field(repr=False)
    widths: Values = field(repr=False)
    at: NDArray[np.intp] = field(repr=False)
    left_out: tuple[LeftOut, ...]

    @classmethod
    def of(cls, series: Throughput) -> Even:
        """Clean a series and put it on its grid."""
        cleaned = clean(series.rate)
        at = places(series.time_s)
        return cls(series, spread(cleaned.values, at), spread(series.width_s, at), at, cleaned.left_out)

    def reading(self, place: int) -> int:
        """The first reading at a place or after it."""
        return min(int(np.searchsorted(self.at, place)), len(self.at) - 1)

    def start_s(self, reading: int, launched_s: float) -> float:
        """When a reading's interval began, in seconds since launch."""
        return max(self.series.time_s[reading] - self.series.width_s[reading] - launched_s, 0.0)


def steady_window(
    series: Throughput, *, launched_s: float, rules: Measure, confidence: float
) -> SteadyWindow | NotSteady:
    """Find the steady stretch of a series, not earlier than the plan's shortest warm-up.

    Args:
        series: everything read since launch.
        launched_s: launch, in the controller's monotonic time.
        rules: the plan's limits.
        confidence: of the interval, which is corrected for looking often (:data:`LOOKS`).

    Returns:
        The window up to the last reading (or the last whole period before it), at least five readings long; or why
        there is none.
    """
    even = Even.of(series)
    found = steady_state(even.rates)
    if isinstance(found, NotSteady):
        return found
    return window_from(even, found, launched_s=launched_s, rules=rules, confidence=confidence)


def window_from(
    even: Even, found: Steady, *, launched_s: float, rules: Measure, confidence: float
) -> SteadyWindow | NotSteady:
    """The window that begins where the series was found to be steady, or after the plan's shortest warm-up."""
    series = even.series
    starts = np.asarray(series.time_s) - np.asarray(series.width_s) - launched_s
    earliest = rules.warm_up.at_least - HALF_A_SAMPLE * rules.every
    first = max(even.reading(found.start_index), int(np.searchsorted(starts, earliest)))
    if len(starts) - first < FEWEST_FOR_BOUNDS:
        shortest = format_duration(rules.warm_up.at_least)
        return NotSteady(
            "too short", f"has fewer than {FEWEST_FOR_BOUNDS} readings after the shortest warm-up of {shortest}"
        )
    begin, end = int(even.at[first]), int(even.at[-1])
    remainder = replace(remainder_of(found, even.rates, begin), weight=WATCHED_WEIGHT)
    if found.period is not None:
        begin, end = whole_periods(even.rates, begin, end, found.period)
    last = min(int(np.searchsorted(even.at, end, side="right")) - 1, len(even.at) - 1)
    return _measured(
        even,
        SteadyWindow(
            even.reading(begin),
            last,
            Window(start_s=0.0, end_s=0.0),
            Interval(mean=0.0, low=None, high=None),
            firm=found.firm,
            earliest_s=even.start_s(even.reading(found.earliest), launched_s),
            latest_s=even.start_s(even.reading(found.latest), launched_s),
            period=found.period,
            period_s=None if found.period is None else found.period.readings * usual_step(series.time_s),
            remainder=remainder,
            left_out=even.left_out,
        ),
        launched_s,
        confidence,
    )


def shortened(
    found: SteadyWindow, series: Throughput, ends: tuple[int, int], *, launched_s: float, confidence: float
) -> SteadyWindow | NotSteady:
    """The same window from one reading to another, both included, with the interval that it then has."""
    return _measured(Even.of(series), replace(found, first=ends[0], last=ends[1]), launched_s, confidence)


def interval_over(even: Even, found: SteadyWindow, last: int, confidence: float) -> Interval | None:
    """The interval from the window's first reading to another last one, corrected for looking often."""
    kept = slice(int(even.at[found.first]), int(even.at[last]) + 1)
    level = 1 - LOOKS * (1 - confidence)
    return mean_interval(even.rates[kept], level, even.widths[kept], found.period, found.remainder)


def whole_periods(rates: Values, first: int, last: int, period: Period) -> tuple[int, int]:
    """First and last place of the longest stretch of whole periods that ends at, or soon before, the last one given.

    A boundary within a slowdown would count a part of it twice or not at all where the period is not quite regular; so
    the end is moved back until neither boundary lies in one, where that is possible within half a period.
    """
    usual = float(np.nanmean(rates[first : last + 1]))
    slow = rates < usual * (1 - period.depth / 2)
    whole: tuple[int, int] | None = None
    for end in range(last, last - math.ceil(period.readings / 2), -1):
        readings = end + 1 - first
        if readings < FEWEST_CYCLES * period.readings:
            break
        begin = end + 1 - whole_cycles(readings, period.readings)
        whole = whole or (begin, end)
        if not (slow[max(begin - BESIDE, 0) : begin + BESIDE].any() or slow[end + 1 - BESIDE : end + 1 + BESIDE].any()):
            return begin, end
    return whole or (first, last)


def remainder_of(found: Steady, rates: Values, first: int) -> Remainder:
    """What the warm-up has left in the mean from a place of the grid on."""
    if found.ended is None:
        return Remainder()
    return Remainder(*found.ended.remainder(int(np.isfinite(rates[:first]).sum())))


def _measured(even: Even, found: SteadyWindow, launched_s: float, confidence: float) -> SteadyWindow | NotSteady:
    interval = interval_over(even, found, found.last, confidence)
    if interval is None:
        return NotSteady("too short", "has no reading that is a number in its steady stretch")
    start_s, end_s = even.start_s(found.first, launched_s), even.series.time_s[found.last] - launched_s
    return replace(found, window=Window(start_s=start_s, end_s=end_s), interval=interval)
