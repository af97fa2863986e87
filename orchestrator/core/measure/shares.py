"""Where a machine's CPU time went within a window: run, wait and idle of each vCPU; busy and steal of a whole machine.

vCPU counters are the Linux kernel's per-thread schedstat (kernel documentation, scheduler/sched-stats): nanoseconds on
a CPU, and nanoseconds waiting on a run queue. Whatever is neither is idle: run + wait + idle = 1.

/proc/stat counts ticks of USER_HZ (kernel documentation, filesystems/proc). ``guest`` and ``guest_nice`` are time given
to guests and are *already inside* ``user`` and ``nice``, so that only the first eight fields add up to the wall time.
``steal`` is time that a hypervisor kept from this machine: it is in the sum, but nobody here was busy.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from orchestrator.core.measure.counters import Course, intervals
from orchestrator.core.measure.results import VcpuShare
from orchestrator.core.measure.samples import Sample
from orchestrator.units import NANOSECONDS_PER_SECOND

COUNTER_STEP_S = 0.02
"""The kernel books a running thread's time at ticks and a waiting one's when it gets the CPU, and CPU time rounded down
to clock ticks (10 ms each for user and system) comes from some interfaces: a reading can be this much behind."""

BUSY = ("user", "nice", "system", "irq", "softirq")
WALL = (*BUSY, "idle", "iowait", "steal")

_VCPU = re.compile(r"vcpu\.(\d+)\.run_ns")


def vcpu_shares(samples: Sequence[Sample], start_s: float, end_s: float) -> tuple[VcpuShare, ...]:
    """Run, wait and idle of each vCPU as shares of the window.

    Args:
        samples: with ``vcpu.N.run_ns``, ``vcpu.N.wait_ns`` and, for process guests, ``vcpu.N.surplus_ns``.
        start_s: start of the window, in the controller's monotonic time.
        end_s: its end.

    Returns:
        One entry for each vCPU whose run counter covers the window, by number. Wait and idle are ``None`` where there
        is no wait counter. Where run + wait exceeds the wall time by no more than the uncertainty, idle is 0 and both
        are scaled down to add up to 1; where it exceeds it by more, idle is left negative: the readings contradict each
        other, and a check says so.
    """
    shares = (_share(samples, vcpu, start_s, end_s) for vcpu in vcpu_numbers(samples))
    return tuple(share for share in shares if share is not None)


def vcpu_numbers(samples: Sequence[Sample]) -> list[int]:
    """The vCPUs that any sample has a run counter for, in order."""
    names = {name for sample in samples for name in sample.values}
    return sorted(int(match[1]) for match in map(_VCPU.fullmatch, names) if match)


def _share(samples: Sequence[Sample], vcpu: int, start_s: float, end_s: float) -> VcpuShare | None:
    wall = end_s - start_s
    running = intervals(samples, f"vcpu.{vcpu}.run_ns")
    run = _seconds(running, start_s, end_s)
    if run is None or wall <= 0:
        return None
    waiting = intervals(samples, f"vcpu.{vcpu}.wait_ns")
    wait = _seconds(waiting, start_s, end_s)
    surplus = _seconds(intervals(samples, f"vcpu.{vcpu}.surplus_ns"), start_s, end_s) or 0.0
    ends = sum(_end_uncertainty_s((running, waiting), time_s) for time_s in (start_s, end_s))
    uncertainty = (ends + COUNTER_STEP_S + surplus) / wall
    if wait is None:
        return VcpuShare(vcpu=vcpu, run=run / wall, wait=None, idle=None, uncertainty=uncertainty)
    run, wait = run / wall, wait / wall
    over = run + wait - 1
    if 0 < over <= uncertainty:
        run, wait = run / (run + wait), wait / (run + wait)
        over = run + wait - 1
    return VcpuShare(
        vcpu=vcpu, run=run, wait=wait, idle=max(0.0, -over) if over <= uncertainty else -over, uncertainty=uncertainty
    )


def _seconds(course: Course, start_s: float, end_s: float) -> float | None:
    amount = course.amount(start_s, end_s)
    return None if amount is None else amount / NANOSECONDS_PER_SECOND


def _end_uncertainty_s(courses: Sequence[Course], time_s: float) -> float:
    """CPU seconds that can lie on the wrong side of a window's end: from the clock, and from interpolating.

    Within a sample interval nobody knows when the vCPU ran, only that it gains at most one second per second; so the
    straight line between two samples is wrong by at most what :func:`interpolation_error` says, and by nothing at the
    samples.
    """
    worst = 0.0
    for course in courses:
        interval = course.around(time_s)
        if interval is not None and interval.amount is not None:
            width = interval.end_s - interval.start_s
            share = min(interval.amount / NANOSECONDS_PER_SECOND / width, 1.0)
            worst = max(
                worst,
                interval.uncertainty_s / 2 + width * interpolation_error((time_s - interval.start_s) / width, share),
            )
    return worst


def interpolation_error(position: float, share: float) -> float:
    """Largest error of a straight line through a counter that grows by ``share`` and never faster than 1.

    At ``position`` (0 to 1) of the interval the counter lies between max(0, share - (1 - position)) and min(position,
    share); the line is at share x position.
    """
    line = share * position
    return max(min(position, share) - line, line - max(0.0, share + position - 1))


def host_busy(samples: Sequence[Sample], start_s: float, end_s: float) -> float | None:
    """Busy share of all of a machine's CPUs; ``None`` when /proc/stat does not cover the window."""
    ticks = tick_deltas(samples, start_s, end_s)
    wall = sum(ticks.values())
    if "user" not in ticks or "idle" not in ticks or wall <= 0:
        return None
    return sum(ticks.get(field, 0.0) for field in BUSY) / wall


def steal(samples: Sequence[Sample], start_s: float, end_s: float) -> float | None:
    """Share of a machine's CPU time that a hypervisor kept from it; ``None`` when its kernel does not say."""
    ticks = tick_deltas(samples, start_s, end_s)
    wall = sum(ticks.values())
    if "steal" not in ticks or wall <= 0:
        return None
    return ticks["steal"] / wall


def tick_deltas(samples: Sequence[Sample], start_s: float, end_s: float) -> Mapping[str, float]:
    """Growth of the eight fields of /proc/stat's first line that add up to wall time x CPUs, in ticks.

    ``guest`` and ``guest_nice`` are not among them, being inside ``user`` and ``nice``. Fields that the kernel does not
    have are absent.
    """
    found = {field: intervals(samples, f"cpu.{field}_ticks").amount(start_s, end_s) for field in WALL}
    return {field: amount for field, amount in found.items() if amount is not None}


def cpu_count(samples: Sequence[Sample]) -> int | None:
    """How many CPUs /proc/stat lists; ``None`` when it lists none."""
    names = {name for sample in samples[:1] for name in sample.values}
    return len({match[0] for match in map(re.compile(r"cpu\d+(?=\.user_ticks$)").match, names) if match}) or None
