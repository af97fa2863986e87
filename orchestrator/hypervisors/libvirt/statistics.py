"""Run and wait of each vCPU from libvirt's bulk statistics.

``vcpu.N.time`` is the CPU time of the vCPU's thread, user and system each cut down to whole clock ticks of 10 ms.
``vcpu.N.delay`` is the run delay of that thread, the second field of its schedstat, in nanoseconds (the manual has said
otherwise of the unit; the code passes on the kernel's figure). ``vcpu.N.wait`` is another thing: time in which the
vCPU waited for an event, and no contention.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from orchestrator.core.measure.samples import Value
from orchestrator.units import Seconds

#: ``vcpu.N.time`` is up to two ticks behind: one for user and one for system time, 10 ms each.
COUNTER_STEP_S: Seconds = 0.020

_RUN = re.compile(r"vcpu\.(\d+)\.time")


def vcpu_counters(statistics: Mapping[str, object]) -> dict[str, Value]:
    """Counters by the names used here, from what libvirt calls ``vcpu.N.*``.

    A host whose kernel keeps no run delay reports 0 for every vCPU, for ever. A kernel that keeps it has counted some
    before a guest has so much as found its disks: no thread is started or woken without an instant on a run queue. So
    as long as all of them are 0, the wait is unknown, and its counters are absent.

    Returns:
        ``vcpu.N.run_ns`` for the vCPUs that are plugged in, and ``vcpu.N.wait_ns`` where the host counts it.
    """
    numbers = sorted(int(match[1]) for match in map(_RUN.fullmatch, statistics) if match)
    values: dict[str, Value] = {f"vcpu.{n}.run_ns": _whole(statistics[f"vcpu.{n}.time"]) for n in numbers}
    waits = {n: _whole(statistics.get(f"vcpu.{n}.delay", 0)) for n in numbers}
    if any(waits.values()):
        values |= {f"vcpu.{n}.wait_ns": wait_ns for n, wait_ns in waits.items()}
    return values


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0
