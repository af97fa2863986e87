"""The steady window of a throughput series under a plan's rules, the same while a trial runs and after its end."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.mean import FEWEST_FOR_BOUNDS, mean_interval, relative_half_width
from orchestrator.core.measure.results import Interval, Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.steady_state import NotSteady, steady_state
from orchestrator.units import format_duration

HALF_A_SAMPLE = 0.5
"""Limits in seconds are met to within half a sampling period: readings never fall exactly on them."""


@dataclass(frozen=True)
class SteadyWindow:
    """A steady stretch of a series.

    Attributes:
        first, last: its first and last reading, as indices of the series.
        window: the time it covers, in seconds since launch.
        interval: operations per second, each reading weighted by the length of its interval.
        firm: see :class:`~orchestrator.core.measure.steady_state.Steady`.
    """

    first: int
    last: int
    window: Window
    interval: Interval
    firm: bool = True

    @property
    def length_s(self) -> float:
        """How long it lasts."""
        return self.window.end_s - self.window.start_s

    def is_within(self, target: float) -> bool:
        """Whether the interval's half-width is at most this share of the mean."""
        width = relative_half_width(self.interval)
        return width is not None and width <= target


def steady_window(
    series: Throughput, *, launched_s: float, rules: Measure, confidence: float
) -> SteadyWindow | NotSteady:
    """Find the steady stretch of a series, not earlier than the plan's shortest warm-up.

    Args:
        series: everything read since launch.
        launched_s: launch, in the controller's monotonic time.
        rules: the plan's limits.
        confidence: of the interval.

    Returns:
        The window up to the last reading, at least five readings long; or why there is none.
    """
    found = steady_state(series.rate)
    if isinstance(found, NotSteady):
        return found
    starts = np.asarray(series.time_s) - np.asarray(series.width_s) - launched_s
    earliest = rules.warm_up.at_least - HALF_A_SAMPLE * rules.every
    first = max(found.start_index, int(np.searchsorted(starts, earliest)))
    if len(starts) - first < FEWEST_FOR_BOUNDS:
        shortest = format_duration(rules.warm_up.at_least)
        return NotSteady(
            "too short", f"has fewer than {FEWEST_FOR_BOUNDS} readings after the shortest warm-up of {shortest}"
        )
    window = window_of(series, first, len(starts) - 1, launched_s=launched_s, confidence=confidence)
    return replace(window, firm=found.firm) if isinstance(window, SteadyWindow) else window


def window_of(
    series: Throughput, first: int, last: int, *, launched_s: float, confidence: float
) -> SteadyWindow | NotSteady:
    """The window from one reading to another, both included, with its interval."""
    kept = slice(first, last + 1)
    interval = mean_interval(series.rate[kept], confidence, series.width_s[kept])
    if interval is None:
        return NotSteady("too short", "has no reading that is a number in its steady stretch")
    start_s = max(series.time_s[first] - series.width_s[first] - launched_s, 0.0)
    return SteadyWindow(first, last, Window(start_s=start_s, end_s=series.time_s[last] - launched_s), interval)
