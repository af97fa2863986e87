"""How a trial went, as courses over time: throughput, and where the time of vCPUs, host and guest went meanwhile."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure import counters
from orchestrator.core.measure.samples import Sample, Throughput
from orchestrator.core.measure.shares import BUSY, WALL, vcpu_numbers
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports import TrialData
from orchestrator.engine.showing import rates
from orchestrator.units import NANOSECONDS_PER_SECOND

Values: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True)
class Course:
    """A share of time over time.

    Attributes:
        what: ``run``, ``wait``, ``idle`` (of the vCPUs together), ``host busy``, ``steal``.
        end_s: ends of the intervals, in seconds since launch, rising.
        width_s: their lengths.
        share: the mean share within each, a fraction; ``None`` where it is not known.
    """

    what: str
    end_s: Sequence[float]
    width_s: Sequence[float]
    share: Sequence[float | None]


@dataclass(frozen=True)
class TrialCourse:
    """A trial's series, all on one axis of seconds since the workload's launch."""

    throughput: Throughput
    shares: tuple[Course, ...]


def trial_course(run: StoredRun, trial: TrialRecord, data: TrialData) -> TrialCourse:
    """The courses of a trial.

    A counter that was not read, or that the machine does not have, has no course. Each interval lies between two
    samples, and only those that end after the launch are kept. Shares are as counted: a reading may be a little behind,
    so that run and wait of one interval can add up to a little more than 1 (see
    :data:`~orchestrator.core.measure.shares.COUNTER_STEP_S`).

    Args:
        run: the run that it belongs to.
        trial: its record; where it does not tell the launch, no counter can be placed.
        data: its series.
    """
    series = rates(run, trial, data.throughput)
    if trial.launched_monotonic_s is None:
        return TrialCourse(series, ())
    courses = (*_vcpus(data.vcpu), *_host(data.host), *_guest(data.guest))
    placed = (_since(course, trial.launched_monotonic_s) for course in courses)
    return TrialCourse(series, tuple(course for course in placed if any(share is not None for share in course.share)))


def _vcpus(samples: Sequence[Sample]) -> Iterator[Course]:
    """Run, wait and idle as means over all vCPUs; not known where one of them is not."""
    run, wait = (
        [counters.intervals(samples, f"vcpu.{vcpu}.{what}_ns") for vcpu in vcpu_numbers(samples)]
        for what in ("run", "wait")
    )
    ends = _ends(run)
    if len(ends) < 2:
        return
    wall_ns = np.diff(ends) * NANOSECONDS_PER_SECOND * len(run)
    ran, waited = (sum(_growth(course, ends) for course in courses) / wall_ns for courses in (run, wait))
    yield _course("run", ends, ran)
    yield _course("wait", ends, waited)
    yield _course("idle", ends, np.maximum(1 - ran - waited, 0.0))


def _host(samples: Sequence[Sample]) -> Iterator[Course]:
    ends, ticks, wall = _ticks(samples)
    if "user" in ticks and "idle" in ticks:
        yield _course("host busy", ends, sum(ticks[field] for field in BUSY if field in ticks) / wall)


def _guest(samples: Sequence[Sample]) -> Iterator[Course]:
    ends, ticks, wall = _ticks(samples)
    if "steal" in ticks:
        yield _course("steal", ends, ticks["steal"] / wall)


def _ticks(samples: Sequence[Sample]) -> tuple[Values, dict[str, Values], Values]:
    """Ends of the intervals, what each field of /proc/stat that there is grew by in each, and all of them together."""
    found = {field: counters.intervals(samples, f"cpu.{field}_ticks") for field in WALL}
    there = {field: course for field, course in found.items() if len(course.amounts)}
    ends = _ends([*there.values()])
    ticks = {field: _growth(course, ends) for field, course in there.items()}
    wall = sum(ticks.values(), np.zeros(max(len(ends) - 1, 0)))
    return ends, ticks, np.where(wall > 0, wall, np.nan)  # too short for a tick: nothing is known


def _ends(courses: Sequence[counters.Course]) -> Values:
    """All times at which any of the counters was read, rising."""
    return np.unique(np.concatenate([np.empty(0), *(course.read_s for course in courses if len(course.amounts))]))


def _growth(course: counters.Course, ends: Values) -> Values:
    """What a counter grew by between the times given, interpolated as :meth:`~counters.Course.amount` does it.

    NaN where its samples do not cover an interval, or it was reset within.
    """
    if not len(course.amounts):
        return np.full(len(ends) - 1, np.nan)
    total, resets = (
        np.interp(ends, course.read_s, np.concatenate([[0.0], np.cumsum(steps)]), left=np.nan, right=np.nan)
        for steps in (np.nan_to_num(course.amounts), np.isnan(course.amounts).astype(np.float64))
    )
    grown: Values = np.where(np.diff(resets) > 0, np.nan, np.diff(total))
    return grown


def _course(what: str, ends: Values, shares: Values) -> Course:
    known = [None if math.isnan(share) else share for share in shares.tolist()]
    return Course(what, ends[1:].tolist(), np.diff(ends).tolist(), known)


def _since(course: Course, launched_s: float) -> Course:
    """The same in seconds since launch, without what was over by then."""
    first = bisect_right(course.end_s, launched_s)
    ends = [end - launched_s for end in course.end_s[first:]]
    return Course(course.what, ends, course.width_s[first:], course.share[first:])
