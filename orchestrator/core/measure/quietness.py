"""How busy, pressed and warm a host is while nothing is measured on it, and whether that is what a plan calls quiet.

Pressure is the share of time in which some task waited for a CPU (Linux kernel documentation, accounting/psi.rst);
temperatures are those of the thermal zones (driver-api/thermal/sysfs-api.rst), throttling what the CPUs count
themselves.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from orchestrator.core.design.quiet import QuietHost
from orchestrator.core.measure.counters import delta, intervals
from orchestrator.core.measure.samples import Sample
from orchestrator.core.measure.shares import host_busy
from orchestrator.units import Fraction, Seconds, format_celsius, format_percent

_ZONE = re.compile(r"zone\d+\.millicelsius")
_THROTTLES = re.compile(r"cpu\d+\.throttles")
_MICROSECONDS_PER_SECOND = 1e6


@dataclass(frozen=True)
class Quietness:
    """What a few seconds of a host's counters tell; ``None`` where it does not say.

    Attributes:
        seconds: from the first reading to the last.
        busy: share of the time of all its CPUs.
        pressure: share of the time in which some task waited for a CPU.
        warmest_c: the warmest thermal zone, in degrees Celsius, by its last reading.
        throttled: CPUs that were throttled for heat meanwhile.
    """

    seconds: Seconds
    busy: Fraction | None
    pressure: Fraction | None
    warmest_c: float | None
    throttled: int | None


def quietness(samples: Sequence[Sample]) -> Quietness:
    """Read a host's counters over a few samples, in their order; of fewer than two, nothing."""
    if len(samples) < 2 or (seconds := samples[-1].time_s - samples[0].time_s) <= 0:
        return Quietness(0.0, None, None, None, None)
    start_s, end_s = samples[0].time_s, samples[-1].time_s
    names = sorted({name for sample in samples for name in sample.values})
    waited_us = delta(samples, "pressure.cpu_some_us", start_s, end_s)
    zones = [name for name in names if _ZONE.fullmatch(name)]
    latest = [next(s.values[name] for s in reversed(samples) if name in s.values) for name in zones]
    counted = [
        sum(interval.amount or 0 for interval in course)
        for name in names
        if _THROTTLES.fullmatch(name) and (course := intervals(samples, name).intervals)
    ]
    return Quietness(
        seconds=seconds,
        busy=host_busy(samples, start_s, end_s),
        pressure=None if waited_us is None else waited_us / _MICROSECONDS_PER_SECOND / seconds,
        warmest_c=max(latest) / 1000 if latest else None,
        throttled=sum(amount > 0 for amount in counted) if counted else None,
    )


def disturbances(seen: Quietness, rule: QuietHost) -> tuple[str, ...]:
    """What keeps the host from being quiet, each with its figures; empty where nothing known does."""
    return tuple(_disturbances(seen, rule))


def _disturbances(seen: Quietness, rule: QuietHost) -> Iterator[str]:
    if seen.busy is not None and seen.busy >= rule.busy_below:
        yield f"{format_percent(seen.busy)} of its CPU time is used (to be below {format_percent(rule.busy_below)})"
    if rule.pressure_below is not None and seen.pressure is not None and seen.pressure >= rule.pressure_below:
        limit = format_percent(rule.pressure_below)
        yield f"some task waits for a CPU {format_percent(seen.pressure)} of the time (to be below {limit})"
    if rule.cooler_than is not None and seen.warmest_c is not None and seen.warmest_c >= rule.cooler_than:
        yield f"it is {format_celsius(seen.warmest_c)} warm (to be below {format_celsius(rule.cooler_than)})"
    if seen.throttled:
        yield "a CPU is throttled for heat" if seen.throttled == 1 else f"{seen.throttled} CPUs are throttled for heat"


def untold(seen: Quietness, rule: QuietHost) -> tuple[str, ...]:
    """What the plan asks about and the host does not tell."""
    asked = {
        "how busy it is": seen.busy is None,
        "its CPU pressure": rule.pressure_below is not None and seen.pressure is None,
        "its temperature": rule.cooler_than is not None and seen.warmest_c is None,
    }
    return tuple(what for what, missing in asked.items() if missing)


def figures(seen: Quietness) -> str:
    """What is known, in words: ``0.3 % of its CPU time used, 41 °C``."""
    parts = []
    if seen.busy is not None:
        parts.append(f"{format_percent(seen.busy)} of its CPU time used")
    if seen.pressure is not None:
        parts.append(f"CPU pressure {format_percent(seen.pressure)}")
    if seen.warmest_c is not None:
        parts.append(format_celsius(seen.warmest_c))
    return ", ".join(parts)
