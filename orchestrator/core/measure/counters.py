"""Cumulative counters: differences of consecutive samples, and amounts over any window.

A counter's value means nothing by itself; only what it grew by does. What can go wrong on the way is found here once: a
counter that the machine does not have (absent, never 0), one that falls because its machine or process started again,
one of 32 bits that wrapped, samples that are missing or out of order. /proc/stat's ``iowait`` may fall without any of
these (Linux kernel documentation, filesystems/proc: the value is unreliable and may decrease), and then counts as not
having grown.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import median
from typing import NamedTuple

from orchestrator.core.measure.samples import Sample, Value
from orchestrator.units import format_duration

WRAP = 2**32
GAP = 2.5
"""An interval longer than so many median ones is a gap."""
MAY_FALL = ("iowait_ticks",)


class CounterInterval(NamedTuple):
    """The difference of two consecutive samples of one counter; there are thousands in a trial.

    Attributes:
        start_s, end_s: controller's monotonic time of the two samples.
        amount: what the counter grew by, in its own unit; ``None`` where it was reset in between and nobody knows.
        uncertainty_s: sum of the half-widths of both times.
    """

    start_s: float
    end_s: float
    amount: Value | None
    uncertainty_s: float


@dataclass(frozen=True)
class Course:
    """How one counter went.

    Attributes:
        name: of the counter.
        intervals: without a hole between first and last sample that has the counter.
        problems: resets, wraps, gaps, missing values; a counter that no sample has is said to be unavailable.
    """

    name: str
    intervals: tuple[CounterInterval, ...]
    problems: tuple[str, ...]

    @cached_property
    def _ends(self) -> list[float]:
        return [interval.end_s for interval in self.intervals]

    def around(self, time_s: float) -> CounterInterval | None:
        """The interval that holds this time, or ``None`` outside of all."""
        position = bisect_left(self._ends, time_s)
        if position == len(self.intervals) or self.intervals[position].start_s > time_s:
            return None
        return self.intervals[position]

    def amount(self, start_s: float, end_s: float) -> float | None:
        """What the counter grew by in a window, interpolated linearly at both ends.

        Returns:
            The amount in the counter's unit; ``None`` when the samples do not cover the window, or a reset lies in it.
        """
        if (
            not self.intervals
            or start_s < self.intervals[0].start_s
            or end_s > self.intervals[-1].end_s
            or end_s < start_s
        ):
            return None
        total = 0.0
        for interval in self.intervals[bisect_right(self._ends, start_s) : bisect_left(self._ends, end_s) + 1]:
            if interval.amount is None:
                return None
            overlap = min(end_s, interval.end_s) - max(start_s, interval.start_s)
            whole = interval.end_s - interval.start_s
            total += interval.amount if overlap == whole else interval.amount * (overlap / whole)
        return total


def intervals(samples: Sequence[Sample], name: str) -> Course:
    """Consecutive differences of one counter.

    Args:
        samples: in the order in which they were taken.
        name: of the counter, such as ``vcpu.0.run_ns``.
    """
    having = [sample for sample in samples if name in sample.values]
    if not having:
        return Course(name, (), (f"{name} is unavailable",))
    problems = (
        [f"{name} is missing from {len(samples) - len(having)} of {len(samples)} samples"]
        if len(having) < len(samples)
        else []
    )
    late = 0
    found: list[CounterInterval] = []
    before = having[0]
    for sample in having[1:]:
        if sample.time_s <= before.time_s:
            late += 1
            continue
        amount, problem = _growth(name, before.values[name], sample.values[name])
        if problem is not None:
            problems.append(
                f"{name} {problem} {format_duration(sample.time_s - having[0].time_s)} after the first sample"
            )
        found.append(CounterInterval(before.time_s, sample.time_s, amount, before.uncertainty_s + sample.uncertainty_s))
        before = sample
    if late:
        problems.append(f"{name}: {late} samples are not later than the one before and are left out")
    problems += _gaps(name, found)
    return Course(name, tuple(found), tuple(problems))


def delta(samples: Sequence[Sample], name: str, start_s: float, end_s: float) -> float | None:
    """What a counter grew by in a window; see :meth:`Course.amount` for when that is ``None``."""
    return intervals(samples, name).amount(start_s, end_s)


def _growth(name: str, before: Value, after: Value) -> tuple[Value | None, str | None]:
    if after >= before:
        return after - before, None
    if name.endswith(MAY_FALL):
        return 0, None
    # Only a counter that leaves the last quarter of 32 bits for the first can have wrapped; all else started again.
    if isinstance(before, int) and isinstance(after, int) and WRAP * 3 // 4 <= before < WRAP and after < WRAP // 4:
        return after + WRAP - before, "wrapped at 32 bits (corrected)"
    return None, f"was reset from {before:g} to {after:g}"


def _gaps(name: str, found: Sequence[CounterInterval]) -> list[str]:
    if len(found) < 3:
        return []
    usual = median(interval.end_s - interval.start_s for interval in found)
    widths = [interval.end_s - interval.start_s for interval in found]
    gaps = [width for width in widths if width > GAP * usual]
    return [f"{name} has {len(gaps)} gaps between samples, the longest of {format_duration(max(gaps))}"] if gaps else []
