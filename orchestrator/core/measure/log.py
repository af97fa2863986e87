"""The same judgement for a throughput log that somebody already has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from orchestrator.core.measure.cleaning import LeftOut, clean
from orchestrator.core.measure.grid import places, spread, usual_step
from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.readings import Values
from orchestrator.core.measure.results import Interval
from orchestrator.core.measure.steady.periodic import Period
from orchestrator.core.measure.steady.steady_state import SMALLEST_CHANGE, Kind, NotSteady, Steady, steady_state
from orchestrator.core.measure.window import remainder_of, whole_periods
from orchestrator.units import format_percent

LOW_EFFECTIVE = 10
"""Independent readings below which an interval is not to be relied upon (common practice, no published source)."""
LONGEST_STEP = 1.5
"""Usual distances: a reading stands for the time since the one before, but for no more; a longer gap is not its own."""

NO_MEAN: dict[Kind, str] = {
    "too short": "measure longer",
    "unfinished warm-up": "measure longer, until the warm-up has ended",
    "drift": "there is no level that it could describe",
    "step": "it would lie between the level before the step and the level behind it",
    "bistable": "it would lie between the two levels, and depend on how long each was seen",
    "swing": "it would depend on when the measurement began and ended",
    "growing variance": "the early readings say too little of the later ones",
}
"""Why a series that is not steady has no mean, for each way of not being steady."""


@dataclass(frozen=True)
class Impossible:
    """A reading that cannot be true.

    Attributes:
        at_s: its time in the log, or its number.
        value: what it says.
        reason: why it was left out.
    """

    at_s: float
    value: float
    reason: str


@dataclass(frozen=True)
class LogReading:
    """What a log says.

    Attributes:
        steady: whether it has a steady state.
        reason: why, or why not.
        warm_up_end_s: time of the first steady reading, in the log's own time; ``None`` when there is none.
        mean, low, high: of the steady readings, in the log's own unit; ``None`` when there are none.
        effective_samples: how many independent readings would be as precise.
        n: readings in the log that are numbers.
        left_out: readings that are no finite number.
        sentence: all of it in plain words.
        kind: why not steady, in a word or two; ``None`` when steady.
        earliest_s, latest_s: between these the warm-up ends; the mean begins at the safe side.
        period_s: from one regular slowdown to the next; ``None`` where there are none.
        window_s: first and last reading of the mean, in the log's own time; whole periods where there are such.
        readings: how many numbers are in the mean.
        freedom: degrees of freedom behind the interval (Student's t).
        left_of_warm_up: share of the mean that a fading warm-up was found to account for, with its sign; taken off.
        left_uncertainty: standard deviation of that; part of the interval.
        impossible: readings that cannot be true and were left out.
    """

    steady: bool
    reason: str
    warm_up_end_s: float | None
    mean: float | None
    low: float | None
    high: float | None
    effective_samples: float | None
    n: int
    left_out: int
    sentence: str
    kind: str | None = None
    earliest_s: float | None = None
    latest_s: float | None = None
    period_s: float | None = None
    window_s: tuple[float, float] | None = None
    readings: int = 0
    freedom: float | None = None
    left_of_warm_up: float = 0.0
    left_uncertainty: float = 0.0
    impossible: tuple[Impossible, ...] = ()


def read_log(times_s: Sequence[float] | None, values: Sequence[float], confidence: float = 0.95) -> LogReading:
    """Judge a log of throughput readings.

    Args:
        times_s: when each was taken, in seconds and rising; without them readings are numbered from 0, one a second.
            With them, a reading weighs as much as the time since the one before, and missing readings are gaps.
        values: one for each time; those that are no finite number, or cannot be true, are left out.
        confidence: of the interval.

    Raises:
        ValueError: when there are not as many times as values, or the times do not rise.
    """
    if times_s is not None:
        _check_times(times_s, values)
    log = _Log(times_s, values)
    found = steady_state(log.rates)
    return log.unsteady(found) if isinstance(found, NotSteady) else log.steady(found, confidence)


class _Log:
    """A log on an even grid of time."""

    def __init__(self, times_s: Sequence[float] | None, values: Sequence[float]) -> None:
        self._times, self._values = times_s, values
        self._cleaned = clean(values)
        at = places(times_s) if times_s is not None else np.arange(len(values))
        self._at = at
        self.rates = spread(self._cleaned.values, at)
        self._n = sum(1 for value in values if math.isfinite(value))
        self._impossible = tuple(self._shown(one) for one in self._cleaned.left_out)

    def _time(self, reading: int) -> float:
        return float(reading) if self._times is None else float(self._times[reading])

    def _at_place(self, place: int) -> float:
        """The time of the first reading at a place or after it."""
        return self._time(min(int(np.searchsorted(self._at, place)), len(self._at) - 1))

    def _shown(self, one: LeftOut) -> Impossible:
        return Impossible(self._time(one.index), float(self._values[one.index]), one.reason)

    def unsteady(self, found: NotSteady) -> LogReading:
        """What is said of a log without a steady state."""
        sentence = f"Not steady: throughput {found.reason}. No mean is given: {NO_MEAN[found.kind]}.{self._remark()}"
        left_out = len(self._values) - self._n
        nothing = (None,) * 5
        return LogReading(
            False, found.reason, *nothing, self._n, left_out, sentence, kind=found.kind, impossible=self._impossible
        )

    def steady(self, found: Steady, confidence: float) -> LogReading:
        """What is said of a log with one."""
        first, last = found.start_index, len(self.rates) - 1
        if found.period is not None:
            first, last = whole_periods(self.rates, first, last, found.period)
        remainder = remainder_of(found, self.rates, first)
        kept = slice(first, last + 1)
        interval = mean_interval(self.rates[kept], confidence, self._weights(kept), found.period, remainder)
        if interval is None:  # cannot be: a steady series has readings
            raise ValueError("a steady series without a reading")
        remaining = int(np.isfinite(self.rates[kept]).sum())
        end_s = self._at_place(first)
        reason = (
            f"no drift, step or swing of more than {format_percent(SMALLEST_CHANGE)} stands out "
            f"in the last {remaining} of {self._n} readings"
        )
        earliest_s, latest_s = self._at_place(found.earliest), self._at_place(found.latest)
        period_s = self._seconds(found.period)
        sentence = _sentence(interval, end_s, remaining, confidence, timed=self._times is not None)
        return LogReading(
            True,
            reason,
            end_s,
            interval.mean,
            interval.low,
            interval.high,
            interval.effective_samples,
            self._n,
            len(self._values) - self._n,
            sentence + self._regular(period_s) + self._remark(),
            earliest_s=earliest_s,
            latest_s=latest_s,
            period_s=period_s,
            window_s=(end_s, self._at_place(last)),
            readings=remaining,
            freedom=interval.freedom,
            left_of_warm_up=remainder.share,
            left_uncertainty=remainder.deviation,
            impossible=self._impossible,
        )

    def _weights(self, kept: slice) -> Values | None:
        if self._times is None or len(self._times) < 2:
            return None
        steps = np.diff(np.asarray(self._times, dtype=np.float64))
        usual = usual_step(self._times)
        return spread(np.minimum(np.concatenate(([usual], steps)), LONGEST_STEP * usual), self._at)[kept]

    def _seconds(self, period: Period | None) -> float | None:
        if period is None:
            return None
        return period.readings * (1.0 if self._times is None else usual_step(self._times))

    def _regular(self, period_s: float | None) -> str:
        if period_s is None:
            return ""
        unit = "readings" if self._times is None else "s"
        return f" It slows down regularly, every {period_s:.3g} {unit}; the mean is over whole such periods."

    def _remark(self) -> str:
        count = len(self._impossible)
        if count == 0:
            return ""
        return f" {count} reading{' was' if count == 1 else 's were'} left out that cannot be true."


def _check_times(times_s: Sequence[float], values: Sequence[float]) -> None:
    if len(times_s) != len(values):
        raise ValueError(f"{len(times_s)} times do not fit {len(values)} values")
    for position, (earlier, later) in enumerate(pairwise(times_s)):
        if not later > earlier:
            raise ValueError(f"the times do not rise: reading {position + 2} is at {later:g} s, after {earlier:g} s")


def _sentence(interval: Interval, end_s: float, remaining: int, confidence: float, *, timed: bool) -> str:
    where = f"{end_s:.15g} s" if timed else f"reading {end_s:g} (counted from 0)"
    places = _places(interval)
    bounds = (
        "no interval can be given"
        if interval.low is None or interval.high is None
        else f"{format_percent(confidence)} interval {interval.low:.{places}f} to {interval.high:.{places}f}"
    )
    text = f"Steady from {where} on: mean {interval.mean:.{places}f}, {bounds}, from {remaining} readings"
    if interval.effective_samples is None:
        return f"{text}."
    text += f" worth {interval.effective_samples:.0f} independent ones."
    if interval.effective_samples < LOW_EFFECTIVE:
        text += " That is few: measure longer before you rely on the interval."
    return text


def _places(interval: Interval) -> int:
    """Decimals that show two digits of the interval's half-width (JCGM 100:2008, 7.2.6); six digits without one."""
    width = 0.0 if interval.low is None or interval.high is None else (interval.high - interval.low) / 2
    size, digits = (width, 2) if width > 0 else (abs(interval.mean), 6)
    return min(max(0, digits - 1 - math.floor(math.log10(size))), 15) if size > 0 else 0
