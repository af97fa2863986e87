"""Readings as they were taken: throughput points and counter samples.

A *sample* is one reading of cumulative counters, an *interval* the difference of two consecutive samples. Every reading
carries two times: the source's own clock as it was read, and the same instant in the controller's monotonic time, which
is the one axis on which throughput and counters of a trial are put side by side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from orchestrator.core.measure.clock_rate import ClockRate

#: A counter's value: an int where the kernel keeps one, a float where it is computed. Absent means unavailable.
Value = int | float


@dataclass(frozen=True)
class Sample:
    """One reading of a machine's counters.

    Attributes:
        time_s: controller's monotonic time at the middle of the reading.
        uncertainty_s: half-width of what is known about ``time_s``.
        source_ns: the source's own clock at the middle of the reading, in ns.
        values: counter name to cumulative value; a counter that the machine does not have is not a key.

    Counter names used throughout (units in the name):
        ``vcpu.N.run_ns``, ``vcpu.N.wait_ns``: CPU time and run delay of vCPU N, from a driver; in a sample of the host,
        the same of the vCPU's thread as the host's own schedstat shows it;
        ``vcpu.N.surplus_ns``: CPU time and run delay outside the vCPU layer's control (process guests only): the bound
        on the error of the other two;
        ``cpu.user_ticks``, ``cpu.nice_ticks``, ``cpu.system_ticks``, ``cpu.idle_ticks``, ``cpu.iowait_ticks``,
        ``cpu.irq_ticks``, ``cpu.softirq_ticks``, ``cpu.steal_ticks``, ``cpu.guest_ticks``, ``cpu.guest_nice_ticks``
        and the same with ``cpuN.`` for each CPU (/proc/stat, USER_HZ ticks); ``ticks_per_s`` (constant);
        ``load.1min``, ``load.runnable`` (/proc/loadavg);
        ``pressure.cpu_some_us`` (/proc/pressure/cpu);
        ``cpuN.khz`` (cpufreq), ``cpuN.throttles`` (thermal_throttle core_throttle_count);
        ``zoneN.millicelsius`` (temperature of thermal zone N);
        ``thread.ID.run_ns``, ``thread.ID.wait_ns`` (a thread's schedstat).
    """

    time_s: float
    uncertainty_s: float
    source_ns: int
    values: Mapping[str, Value]


@dataclass(frozen=True)
class Reading:
    """Throughput read from one line of a workload's output.

    Attributes:
        time_s: controller's monotonic time to which the figure belongs (end of the period it covers).
        value: operations per second (``rate``) or operations since the start (``count``), as the reader says.
    """

    time_s: float
    value: float


@dataclass(frozen=True)
class Throughput:
    """A throughput series: interval ends and the mean rate within each interval.

    Attributes:
        time_s: ends of the intervals, increasing, in the controller's monotonic time.
        width_s: length of each interval.
        rate: operations per second within each.
        problems: what was found and left out: falls of a count, gaps, values that are no number.
        clock: the guest's, where its rate against the controller's went into the rates; ``None`` where only the
            controller's clock did, or the guest's was not known.
    """

    time_s: Sequence[float]
    width_s: Sequence[float]
    rate: Sequence[float]
    problems: Sequence[str] = field(default=())
    clock: ClockRate | None = None
