"""The same vCPU counters from two sources: the hypervisor's, and the host's schedstat of the vCPUs' threads.

Both are the kernel's two numbers of one thread, so what they grow by differs only by when they were read and how they
were cut. They are compared from one pair of samples to another, and not over a window's ends, where each would have to
be interpolated.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import TypeAlias

from orchestrator.core.measure.samples import Sample
from orchestrator.core.measure.shares import COUNTER_STEP_S
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds

#: A reading of the hypervisor and the nearest one of the host.
_Pair: TypeAlias = tuple[Sample, Sample]


@dataclass(frozen=True)
class SecondLook:
    """One counter of one vCPU, from both sources, as shares of the wall time.

    Attributes:
        vcpu: its number.
        what: ``run`` or ``wait``.
        told: by the hypervisor.
        seen: by the host.
        uncertainty: by so much the two can differ with neither being wrong.
    """

    vcpu: int
    what: str
    told: float
    seen: float
    uncertainty: float


def counter_names(vcpus: int) -> list[str]:
    """The names of the counters of so many vCPUs that both sources use."""
    return [f"vcpu.{vcpu}.{what}_ns" for vcpu in range(vcpus) for what in ("run", "wait")]


def second_looks(
    told: Sequence[Sample], seen: Sequence[Sample], vcpus: int, window_s: tuple[Seconds, Seconds], every_s: Seconds
) -> list[SecondLook]:
    """Compare what both sources have within a window.

    Args:
        told: samples of the hypervisor.
        seen: samples of the host, in time order.
        vcpus: of the shape.
        window_s: start and end of the window, in the controller's monotonic time.
        every_s: the sampling period; readings that are further apart are no pair.

    Returns:
        One entry for each counter that both have in pairs that span half of the window, by vCPU, run before wait.
    """
    start_s, end_s = window_s
    within = [sample for sample in told if start_s <= sample.time_s <= end_s]
    looks = (_look(name, _pairs(name, within, seen, every_s), (end_s - start_s) / 2) for name in counter_names(vcpus))
    return [look for look in looks if look is not None]


def _pairs(name: str, told: Sequence[Sample], seen: Sequence[Sample], every_s: Seconds) -> list[_Pair]:
    having = [sample for sample in seen if name in sample.values]
    if not having:
        return []
    pairs = [(sample, _nearest(having, sample.time_s)) for sample in told if name in sample.values]
    return [pair for pair in pairs if abs(pair[1].time_s - pair[0].time_s) <= every_s]


def _look(name: str, pairs: Sequence[_Pair], least_s: Seconds) -> SecondLook | None:
    if len(pairs) < 2:
        return None
    first, last = pairs[0], pairs[-1]
    wall_s = last[0].time_s - first[0].time_s
    grown = [last[source].values[name] - first[source].values[name] for source in (0, 1)]
    if min(grown) < 0 or last[1] is first[1] or wall_s < least_s or wall_s <= 0:
        return None  # a counter that started again is told by another check
    _, vcpu, what = name.split(".")
    told_s, seen_s = (growth / NANOSECONDS_PER_SECOND for growth in grown)
    return SecondLook(
        int(vcpu), what.removesuffix("_ns"), told_s / wall_s, seen_s / wall_s, _uncertainty_s(first, last) / wall_s
    )


def _nearest(samples: Sequence[Sample], time_s: Seconds) -> Sample:
    position = bisect_left(samples, time_s, key=attrgetter("time_s"))
    return min(samples[max(position - 1, 0) : position + 1], key=lambda sample: abs(sample.time_s - time_s))


def _uncertainty_s(first: _Pair, last: _Pair) -> Seconds:
    """By how many CPU seconds the two can differ.

    Between the two readings of a pair the counter goes on, by one second a second at most, and what it gains in both
    pairs cancels where the one source is always read first; each reading's time is known within its own uncertainty.
    A step of the counters at either end: the hypervisor cuts run to clock ticks (10 ms each for user and system), and
    the kernel books a wait at once when it is over.
    """
    gaps = [seen.time_s - told.time_s for told, seen in (first, last)]
    apart_s = max(*gaps, 0.0) - min(*gaps, 0.0)
    times_s = sum(sample.uncertainty_s for pair in (first, last) for sample in pair)
    return apart_s + times_s + 2 * COUNTER_STEP_S
