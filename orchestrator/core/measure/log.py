"""The same judgement for a throughput log that somebody already has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.results import Interval
from orchestrator.core.measure.steady_state import SMALLEST_CHANGE, NotSteady, steady_state
from orchestrator.units import format_percent

LOW_EFFECTIVE = 10


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


def read_log(times_s: Sequence[float] | None, values: Sequence[float], confidence: float = 0.95) -> LogReading:
    """Judge a log of throughput readings.

    Args:
        times_s: when each was taken, in seconds and rising; without them readings are numbered from 0, one a second.
        values: one for each time; those that are no finite number are left out.
        confidence: of the interval.

    Raises:
        ValueError: when there are not as many times as values, or the times do not rise.
    """
    if times_s is not None:
        _check_times(times_s, values)
    n = sum(1 for value in values if math.isfinite(value))
    found = steady_state(values)
    if isinstance(found, NotSteady):
        reason = found.reason
        sentence = (
            f"Not steady: throughput {reason}. No mean is given: over a warm-up or a drift it would describe neither."
        )
        return LogReading(False, reason, None, None, None, None, None, n, len(values) - n, sentence)
    kept = values[found.start_index :]
    interval = mean_interval(kept, confidence)
    if interval is None:  # cannot be: a steady series has readings
        raise ValueError("a steady series without a reading")
    end_s = float(times_s[found.start_index]) if times_s is not None else float(found.start_index)
    remaining = sum(1 for value in kept if math.isfinite(value))
    reason = (
        f"no drift, step or swing of more than {format_percent(SMALLEST_CHANGE)} stands out "
        f"in the last {remaining} of {n} readings"
    )
    sentence = _sentence(interval, end_s, remaining, confidence, timed=times_s is not None)
    return LogReading(
        True,
        reason,
        end_s,
        interval.mean,
        interval.low,
        interval.high,
        interval.effective_samples,
        n,
        len(values) - n,
        sentence,
    )


def _check_times(times_s: Sequence[float], values: Sequence[float]) -> None:
    if len(times_s) != len(values):
        raise ValueError(f"{len(times_s)} times do not fit {len(values)} values")
    for position, (earlier, later) in enumerate(pairwise(times_s)):
        if not later > earlier:
            raise ValueError(f"the times do not rise: reading {position + 2} is at {later:g} s, after {earlier:g} s")


def _sentence(interval: Interval, end_s: float, remaining: int, confidence: float, *, timed: bool) -> str:
    where = f"{end_s:.15g} s" if timed else f"reading {end_s:g} (counted from 0)"
    digits = _digits(interval)
    bounds = (
        "no interval can be given"
        if interval.low is None or interval.high is None
        else f"{format_percent(confidence)} interval {interval.low:.{digits}g} to {interval.high:.{digits}g}"
    )
    text = f"Steady from {where} on: mean {interval.mean:.{digits}g}, {bounds}, from {remaining} readings"
    if interval.effective_samples is None:
        return f"{text}."
    text += f" worth {interval.effective_samples:.0f} independent ones."
    if interval.effective_samples < LOW_EFFECTIVE:
        text += " That is few: measure longer before you rely on the interval."
    return text


def _digits(interval: Interval) -> int:
    """Significant digits that tell the bounds from the mean: six, or more where the interval is narrow."""
    width = 0.0 if interval.low is None or interval.high is None else interval.high - interval.low
    if width <= 0 or interval.mean == 0:
        return 6
    return min(max(6, math.ceil(math.log10(abs(interval.mean) / width)) + 3), 15)
