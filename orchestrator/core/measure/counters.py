"""Cumulative counters: differences of consecutive samples, and amounts over any window.

A counter's value means nothing by itself; only what it grew by does. What can go wrong on the way is found here once: a
counter that the machine does not have (absent, never 0), one that falls because its machine or process started again,
one of 32 bits that wrapped, samples that are missing or out of order. /proc/stat's ``iowait`` may fall without any of
these (Linux kernel documentation, filesystems/proc: the value is unreliable and may decrease), and then counts as not
having grown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import compress, pairwise
from typing import NamedTuple

import numpy as np

from orchestrator.core.measure.readings import Values
from orchestrator.core.measure.samples import Sample, Value
from orchestrator.units import format_duration

WRAP = 2**32
GAP = 2.5
"""An interval longer than so many median ones is a gap."""
MAY_FALL = ("iowait_ticks",)


class CounterInterval(NamedTuple):
    """The difference of two consecutive samples of one counter.

    Attributes:
        start_s, end_s: controller's monotonic time of the two samples.
        amount: what the counter grew by, in its own unit; ``None`` where it was reset in between and nobody knows.
        uncertainty_s: sum of the half-widths of both times.
    """

    start_s: float
    end_s: float
    amount: float | None
    uncertainty_s: float


@dataclass(frozen=True, eq=False)
class Course:
    """How one counter went, in columns, since there are thousands of intervals in a trial.

    Attributes:
        name: of the counter.
        read_s: when it was read, rising, in the controller's monotonic time.
        uncertainty_s: half-width of what is known about each of these.
        amounts: what it grew by from each reading to the next, in its own unit; NaN where it was reset in between.
        problems: resets, wraps, gaps, missing values; a counter that no sample has is said to be unavailable.
    """

    name: str
    read_s: Values
    uncertainty_s: Values
    amounts: Values
    problems: tuple[str, ...]

    @cached_property
    def intervals(self) -> tuple[CounterInterval, ...]:
        """From each reading to the next: without a hole between first and last sample that has the counter."""
        amounts = [None if math.isnan(amount) else amount for amount in self.amounts.tolist()]
        uncertainties = (self.uncertainty_s[:-1] + self.uncertainty_s[1:]).tolist()
        columns = (self.read_s[:-1].tolist(), self.read_s[1:].tolist(), amounts, uncertainties)
        return tuple(map(CounterInterval._make, zip(*columns, strict=True)))

    def around(self, time_s: float) -> CounterInterval | None:
        """The interval that holds this time, or ``None`` outside of all."""
        position = int(np.searchsorted(self.read_s[1:], time_s))
        if position == len(self.amounts) or self.read_s[position] > time_s:
            return None
        start_s, end_s = self.read_s[position : position + 2].tolist()
        amount = float(self.amounts[position])
        uncertainty_s = float(self.uncertainty_s[position : position + 2].sum())
        return CounterInterval(start_s, end_s, None if math.isnan(amount) else amount, uncertainty_s)

    def amount(self, start_s: float, end_s: float) -> float | None:
        """What the counter grew by in a window, interpolated linearly at both ends.

        Returns:
            The amount in the counter's unit; ``None`` when the samples do not cover the window, or a reset lies in it.
        """
        if not len(self.amounts) or start_s < self.read_s[0] or end_s > self.read_s[-1] or end_s < start_s:
            return None
        starts, ends = self.read_s[:-1], self.read_s[1:]
        within = slice(np.searchsorted(ends, start_s, side="right"), np.searchsorted(ends, end_s) + 1)
        starts, ends = starts[within], ends[within]
        inside = (np.minimum(ends, end_s) - np.maximum(starts, start_s)) / (ends - starts)
        parts = self.amounts[within] * inside
        return None if np.isnan(parts).any() else sum(parts.tolist(), 0.0)


def intervals(samples: Sequence[Sample], name: str) -> Course:
    """Consecutive differences of one counter.

    Args:
        samples: in the order in which they were taken.
        name: of the counter, such as ``vcpu.0.run_ns``.
    """
    having = [sample for sample in samples if name in sample.values]
    if not having:
        return Course(name, np.empty(0), np.empty(0), np.empty(0), (f"{name} is unavailable",))
    problems = (
        [f"{name} is missing from {len(samples) - len(having)} of {len(samples)} samples"]
        if len(having) < len(samples)
        else []
    )
    read_s = np.array([sample.time_s for sample in having], dtype=np.float64)
    later = np.append(True, read_s[1:] > np.maximum.accumulate(read_s)[:-1])
    read_s, kept = read_s[later], [*compress(having, later)]
    values = [sample.values[name] for sample in kept]
    # Differences are taken before they become floats, which do not hold every count of nanoseconds.
    grown: list[Value | None] = [after - before for before, after in pairwise(values)]
    for place in [place for place, (before, after) in enumerate(pairwise(values)) if not after >= before]:
        grown[place], problem = _fallen(name, values[place], values[place + 1])
        if problem is not None:
            since_s = float(read_s[place + 1] - read_s[0])
            problems.append(f"{name} {problem} {format_duration(since_s)} after the first sample")
    if late := len(having) - len(kept):
        are = "sample is" if late == 1 else "samples are"
        problems.append(f"{name}: {late} {are} not later than the one before and left out")
    problems += _gaps(name, np.diff(read_s))
    uncertainty_s = np.array([sample.uncertainty_s for sample in kept], dtype=np.float64)
    return Course(name, read_s, uncertainty_s, np.array(grown, dtype=np.float64), tuple(problems))


def delta(samples: Sequence[Sample], name: str, start_s: float, end_s: float) -> float | None:
    """What a counter grew by in a window; see :meth:`Course.amount` for when that is ``None``."""
    return intervals(samples, name).amount(start_s, end_s)


def _fallen(name: str, before: Value, after: Value) -> tuple[Value | None, str | None]:
    """What a counter grew by that reads less than before, and what is wrong with that."""
    if name.endswith(MAY_FALL):
        return 0, None
    # Only a counter that leaves the last quarter of 32 bits for the first can have wrapped; all else started again.
    if isinstance(before, int) and isinstance(after, int) and WRAP * 3 // 4 <= before < WRAP and after < WRAP // 4:
        return after + WRAP - before, "wrapped at 32 bits (corrected),"
    return None, f"was reset from {before} to {after},"


def _gaps(name: str, widths_s: Values) -> list[str]:
    if len(widths_s) < 3:
        return []
    gaps = widths_s[widths_s > GAP * np.median(widths_s)]
    if not len(gaps):
        return []
    noun = "gap" if len(gaps) == 1 else "gaps"
    return [f"{name} has {len(gaps)} {noun} between samples, the longest of {format_duration(float(gaps.max()))}"]
