"""What is checked of every trial before anybody believes it.

A check is ``ok``, raises a ``flag``, or is ``unavailable`` where the machine does not say what it would take: that is
never reported as ok. Each detail is a sentence with its figures. Thresholds are common practice without a published
source, save where one is named.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import fmean, median
from typing import TypeAlias

from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.clock_rate import NOTABLE_RATE, ClockRate, clock_rate
from orchestrator.core.measure.counters import GAP, delta, intervals
from orchestrator.core.measure.mean import relative_half_width
from orchestrator.core.measure.results import Check, Interval, VcpuShare
from orchestrator.core.measure.samples import Sample, Throughput
from orchestrator.core.measure.second_look import counter_names, second_looks
from orchestrator.core.measure.shares import cpu_count, host_busy, steal
from orchestrator.units import NANOSECONDS_PER_SECOND, format_duration, format_percent

OTHER_LOAD = 0.05
"""Share of the host's CPUs that something else may use."""
NEIGHBOURS_AT_LEAST = 1 / 3
"""Share of what declared neighbours would get by equal shares that must be seen."""
FEWER_SAMPLES = 0.9
"""Share of the expected samples that must be there."""
FREQUENCY_CHANGE = 0.05
STEAL_DIFFERENCE = 0.05
SURPLUS = 0.02
IMPRECISE = 0.5
"""Half-width of the mean's interval, as a share of the mean, from which on the mean says little."""
SHOWN = 3
"""So many single problems are written out; the rest are counted."""

_THROTTLES = re.compile(r"cpu\d+\.throttles")
_FREQUENCY = re.compile(r"cpu\d+\.khz")
_SURPLUS = re.compile(r"vcpu\.(\d+)\.surplus_ns")


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Everything that the checks look at.

    Attributes:
        start_s, end_s: the window, in the controller's monotonic time.
        every_s: the sampling period that the plan asked for.
        vcpus: of the shape.
        interval: of the throughput's mean within the window; ``None`` where it was never steady.
        throughput, vcpu, host, guest: the trial's series; a stream that could not be had is empty.
        shares: of the vCPUs within the window.
        clocks: ``host`` and ``guest`` to their offsets before and after the trial; ``None`` where one is missing.
        output_problems: what the reader of the workload's output found.
        neighbour_cpus: CPUs that the declared neighbours want at least; ``None`` where none are declared.
    """

    start_s: float
    end_s: float
    every_s: float
    vcpus: int
    throughput: Throughput
    vcpu: Sequence[Sample]
    host: Sequence[Sample]
    guest: Sequence[Sample]
    shares: Sequence[VcpuShare]
    clocks: Mapping[str, tuple[Offset | None, Offset | None]] = field(default_factory=dict)
    output_problems: Sequence[str] = ()
    neighbour_cpus: float | None = None
    interval: Interval | None = None

    @property
    def length_s(self) -> float:
        """How long the window is."""
        return self.end_s - self.start_s

    def within(self, samples: Sequence[Sample]) -> list[Sample]:
        """The samples that were taken within the window."""
        return [sample for sample in samples if self.start_s <= sample.time_s <= self.end_s]


CheckOf: TypeAlias = Callable[[Evidence], "Check | None"]


def run_checks(evidence: Evidence) -> tuple[Check, ...]:
    """All checks that apply, in an order that is always the same."""
    return tuple(check for check in (of(evidence) for of in CHECKS) if check is not None)


def vcpu_accounting(e: Evidence) -> Check:
    """Run + wait of each vCPU is no more than its wall time, within the uncertainty of clocks and counters."""
    name = "vcpu accounting"
    missing = sorted(set(range(e.vcpus)) - {share.vcpu for share in e.shares})
    if missing:
        lacks = f"no run counter covers the window for vCPU {_listed(missing)}"
        return _unavailable(name, f"{lacks}{_because(e, missing, 'run')}")
    over = [s for s in e.shares if s.run + (s.wait or 0.0) > 1 + s.uncertainty + 1e-9]
    if over:
        parts = [
            f"vCPU {s.vcpu}: run {_tenths(s.run)} + wait {_tenths(s.wait or 0.0)} ({_give_or_take(s.uncertainty)})"
            for s in over
        ]
        return _flag(name, f"more than 100 % of the wall time: {_several(parts)}")
    unknown = [s.vcpu for s in e.shares if s.wait is None]
    if unknown:
        lacks = f"no wait counter covers the window for vCPU {_listed(unknown)}{_because(e, unknown, 'wait')}"
        return _unavailable(name, f"{lacks}: wait and idle time are unknown")
    worst = max((s.uncertainty for s in e.shares), default=0.0)
    return _ok(name, f"run + wait is within 100 % for {_each(len(e.shares))}, {_give_or_take(worst)}")


def _because(e: Evidence, vcpus: Sequence[int], what: str) -> str:
    """`` (vcpu.1.run_ns was reset from 2000 to 5 ...)``: what is wrong with the first of their counters."""
    courses = [intervals(e.vcpu, f"vcpu.{vcpu}.{what}_ns") for vcpu in vcpus]
    problems = next((course.problems for course in courses if len(course.read_s) and course.problems), ())
    return f" ({_several(problems)})" if problems else ""


def vcpu_threads(e: Evidence) -> Check | None:
    """The hypervisor's vCPU counters against the host's own of the vCPUs' threads; only where the host shows them."""
    name = "vcpu threads"
    if not any(counter in sample.values for sample in e.host for counter in counter_names(e.vcpus)):
        return None
    looks = second_looks(e.vcpu, e.host, e.vcpus, (e.start_s, e.end_s), e.every_s)
    wrong = [look for look in looks if abs(look.seen - look.told) > look.uncertainty]
    if wrong:
        parts = [
            f"vCPU {look.vcpu}: {look.what} {_tenths(look.told)} by the hypervisor's counter, "
            f"{_tenths(look.seen)} by the host's ({_give_or_take(look.uncertainty)})"
            for look in wrong
        ]
        return _flag(name, f"the vCPU counters are not those of the vCPUs' threads: {_several(parts)}")
    if unknown := sorted(set(range(e.vcpus)) - {look.vcpu for look in looks if look.what == "run"}):
        return _unavailable(name, f"no two samples of both sources cover the window for vCPU {_listed(unknown)}")
    worst = max(looks, key=lambda look: abs(look.seen - look.told))
    return _ok(
        name,
        f"the host's own counters of {e.vcpus} {'thread' if e.vcpus == 1 else 'threads'} differ by at most "
        f"{abs(worst.seen - worst.told) * 100:.2f} % of the wall time ({_within(worst.uncertainty * 100, 2, ' %')})",
    )


def samples_complete(e: Evidence) -> Check:
    """Each counter stream has the samples that were asked for, without gaps."""
    name = "samples"
    streams = {"vCPU": e.vcpu, "host": e.host, "guest": e.guest}
    absent = [stream for stream, samples in streams.items() if not samples]
    expected = int(e.length_s / e.every_s)
    if expected < 1:
        return _unavailable(name, "the window is shorter than one sampling period")
    faults: list[str] = []
    for stream, samples in streams.items():
        taken = e.within(samples)
        longest = max((b.time_s - a.time_s for a, b in pairwise(taken)), default=0.0)
        if samples and len(taken) < FEWER_SAMPLES * expected:
            faults.append(f"{stream}: {len(taken)} of {expected} samples")
        elif longest > GAP * e.every_s:
            faults.append(f"{stream}: nothing for {format_duration(longest)}")
    if faults:
        return _flag(name, f"samples are missing: {_several(faults)}")
    if absent:
        return _unavailable(name, f"no samples of: {', '.join(absent)}")
    return _ok(name, f"complete at one every {format_duration(e.every_s)}")


def other_load(e: Evidence) -> Check:
    """What the host's CPUs did besides running this guest's vCPUs."""
    name = "other load"
    busy, cpus = host_busy(e.host, e.start_s, e.end_s), cpu_count(e.host)
    if busy is None or cpus is None or len(e.shares) < e.vcpus:
        return _unavailable(name, "the host's CPU time or a vCPU's is not known for the window")
    other = busy * cpus - sum(share.run for share in e.shares)
    slack = sum(share.uncertainty for share in e.shares)
    detail = f"besides this guest, the host used {max(other, 0.0):.2f} of its {cpus} CPUs ({_within(slack, 2, '')})"
    if e.neighbour_cpus is not None:
        return _beside_neighbours(name, detail, other + slack, _neighbours_due(e.neighbour_cpus, e.vcpus, cpus))
    return _flag(name, detail) if other > OTHER_LOAD * cpus + slack else _ok(name, detail)


def _beside_neighbours(name: str, detail: str, most: float, due: float) -> Check:
    """Other load is what the plan asks for; too little of it means that the trial ran on another host than declared."""
    if most < NEIGHBOURS_AT_LEAST * due:
        return _flag(
            name, f"the declared neighbours hardly loaded the host: {detail}, where {due:.2f} were to be expected"
        )
    return _ok(name, f"with the declared neighbours: {detail}")


def _neighbours_due(wanted: float, vcpus: int, cpus: int) -> float:
    """CPUs that neighbours get where each of theirs and each vCPU, were it busy throughout, has an equal share."""
    return wanted * min(1.0, cpus / (wanted + vcpus))


def throttling(e: Evidence) -> Check:
    """Thermal throttling of the host's CPUs within the window."""
    name = "throttling"
    names = _names(e.host, _THROTTLES)
    amounts = [amount for counter in names if (amount := delta(e.host, counter, e.start_s, e.end_s)) is not None]
    if not amounts:
        return _unavailable(name, "the host does not count thermal throttling")
    hot = sum(1 for amount in amounts if amount > 0)
    if hot:
        return _flag(name, f"{hot} of {len(amounts)} CPUs were throttled for heat, {sum(amounts):.0f} times in all")
    return _ok(name, f"none of {len(amounts)} CPUs was throttled for heat")


def frequency(e: Evidence) -> Check:
    """Whether the host's mean CPU frequency changed between the first and the last third of the window."""
    name = "cpu frequency"
    names = _names(e.host, _FREQUENCY)
    means = [fmean(values) for s in e.within(e.host) if (values := [s.values[n] for n in names if n in s.values])]
    if len(means) < 3:
        return _unavailable(name, "the host does not show its CPU frequency")
    third = len(means) // 3
    first, last, usual = fmean(means[:third]), fmean(means[-third:]), median(means)
    detail = f"{first / 1e6:.2f} GHz in the first third, {last / 1e6:.2f} GHz in the last, mean of {len(names)} CPUs"
    changed = usual > 0 and abs(last - first) > FREQUENCY_CHANGE * usual
    return _flag(name, f"changed: {detail}") if changed else _ok(name, detail)


def steal_against_wait(e: Evidence) -> Check:
    """The guest's steal and the host's wait are one time seen from both sides, where the guest can see it at all."""
    name = "steal against wait"
    seen = steal(e.guest, e.start_s, e.end_s)
    waits = [share.wait for share in e.shares if share.wait is not None]
    if seen is None or not waits:
        return _unavailable(name, "the guest's steal or the host's wait is not known for the window")
    wait, slack = fmean(waits), fmean(share.uncertainty for share in e.shares)
    detail = f"the guest saw {_tenths(seen)} steal, the host counted {_tenths(wait)} wait"
    if abs(seen - wait) <= STEAL_DIFFERENCE + slack:
        return _ok(name, detail)
    if seen == 0:
        return _unavailable(name, f"{detail}: this guest cannot see its steal, and the host's figure stands alone")
    return _flag(name, f"{detail}: they differ by more than {format_percent(STEAL_DIFFERENCE)}")


def surplus(e: Evidence) -> Check | None:
    """CPU time of a process guest that its vCPU layer did not control; does not apply to other guests."""
    name = "surplus time"
    found = {
        int(counter.split(".")[1]): delta(e.vcpu, counter, e.start_s, e.end_s) for counter in _names(e.vcpu, _SURPLUS)
    }
    if not found:
        return None
    wall_ns = e.length_s * NANOSECONDS_PER_SECOND
    known = {vcpu: amount / wall_ns for vcpu, amount in found.items() if amount is not None and wall_ns > 0}
    if len(known) < len(found) or not known:
        return _unavailable(name, "the samples do not cover the window")
    worst = max(known, key=lambda vcpu: known[vcpu])
    share = f"{format_percent(known[worst], 2)} of the wall time (vCPU {worst})"
    detail = f"at most {share} was beyond the control of the layer of vCPUs"
    return _flag(name, detail) if known[worst] > SURPLUS else _ok(name, detail)


def clocks(e: Evidence) -> Check:
    """Whether the guest's clock, and the host's where it was asked, run at the controller's rate."""
    name = "clock rate"
    parts: list[str] = []
    wrong = unknown = False
    for machine, (before, after) in {"guest": (None, None), **e.clocks}.items():
        rate = clock_rate(before, after) if before is not None and after is not None else None
        if rate is None:
            unknown = True
            parts.append(f"{machine} not measured before and after")
            continue
        wrong = wrong or abs(rate.rate) - rate.uncertainty > NOTABLE_RATE
        unknown = unknown or rate.uncertainty > NOTABLE_RATE
        parts.append(f"{machine} {_gained(rate)}")
    detail = "against the controller's clock: " + ", ".join(parts)
    if e.throughput.clock is not None:
        detail += "; the throughput is per second of the controller's"
    if wrong:
        return _flag(name, detail)
    return _unavailable(name, detail) if unknown else _ok(name, detail)


def workload_output(e: Evidence) -> Check:
    """What was strange in the workload's output and left out."""
    problems = [*e.output_problems, *e.throughput.problems]
    if problems:
        return _flag("workload output", _several(problems))
    return _ok("workload output", f"{len(e.throughput.rate)} readings, nothing left out")


def precision(e: Evidence) -> Check | None:
    """Whether the mean itself is known; does not apply to a trial that was never steady."""
    name = "precision"
    if e.interval is None:
        return None
    half = relative_half_width(e.interval)
    if half is None:
        return _unavailable(name, "the readings are too few, or nothing but zeros, for an interval of their mean")
    if half <= IMPRECISE:
        return _ok(name, f"the mean is known within {_tenths(half)}")
    known = f"the mean is known within {_tenths(half)} only" if half < 1 else "the interval exceeds the mean"
    return _flag(
        name,
        f"{known}: the readings are too few or too uneven; let the workload print more often, or measure for longer "
        "(measure.steady)",
    )


CHECKS: tuple[CheckOf, ...] = (
    vcpu_accounting,
    vcpu_threads,
    samples_complete,
    other_load,
    throttling,
    frequency,
    steal_against_wait,
    surplus,
    clocks,
    workload_output,
    precision,
)


def _tenths(share: float) -> str:
    """With its tenth also where that is 0: figures of one sentence are compared."""
    return f"{share * 100:z.1f} %"


def _give_or_take(share: float) -> str:
    return _within(share * 100, 1, " %")


def _within(uncertainty: float, places: int, unit: str) -> str:
    """``± 0.3 %``; what would be rounded to nothing is rounded up (JCGM 100:2008, 7.2.6)."""
    return f"± {max(uncertainty, 10.0**-places):.{places}f}{unit}"


def _gained(rate: ClockRate) -> str:
    """``+2 ppm ± 3 ppm``, as clocks are compared; in percent where it would matter, or is not known well enough."""
    if max(abs(rate.rate), rate.uncertainty) > NOTABLE_RATE:
        return f"{rate.rate * 100:+z.2f} % {_within(rate.uncertainty * 100, 2, ' %')}"
    return f"{rate.rate * 1e6:+z.0f} ppm {_within(rate.uncertainty * 1e6, 0, ' ppm')}"


def _each(vcpus: int) -> str:
    return "the vCPU" if vcpus == 1 else f"each of {vcpus} vCPUs"


def _ok(name: str, detail: str) -> Check:
    return Check(name=name, state="ok", detail=detail)


def _flag(name: str, detail: str) -> Check:
    return Check(name=name, state="flag", detail=detail)


def _unavailable(name: str, detail: str) -> Check:
    return Check(name=name, state="unavailable", detail=detail)


def _names(samples: Sequence[Sample], pattern: re.Pattern[str]) -> list[str]:
    names = {name for sample in samples for name in sample.values}  # each is matched once, not in every sample
    return sorted(name for name in names if pattern.fullmatch(name))


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(str(number) for number in numbers)


def _several(parts: Sequence[str]) -> str:
    rest = len(parts) - SHOWN
    return "; ".join(parts[:SHOWN]) + (f"; and {rest} more" if rest > 0 else "")
