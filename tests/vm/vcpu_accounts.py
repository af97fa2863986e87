"""Whether run, wait and idle of a vCPU are what its load makes them: the one assertion of all tests about counters.

Tolerances come from what the counters can know. Over a window of 5 s libvirt's run is up to 20 ms late at either end
(user and system time are each cut to clock ticks of 10 ms), the kernel books a waiting thread's time at once when it
gets the CPU, and each reading takes a few milliseconds: so run and wait of a vCPU that is never idle have to add up to
the wall time within two or three points of a hundred. How much of it is which depends on what else the machine does,
which the host's own count of its CPU time tells.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from orchestrator.core.measure.checks import Evidence, vcpu_threads
from orchestrator.core.measure.samples import Sample, Throughput
from orchestrator.core.measure.shares import cpu_count, host_busy
from orchestrator.units import NANOSECONDS_PER_SECOND


@dataclass(frozen=True)
class Account:
    """What is expected of a vCPU: bounds of shares of its wall time."""

    run: tuple[float, float]
    wait: tuple[float, float]
    idle: tuple[float, float]

    def beside(self, other: float) -> Account:
        """The same beside other load of so many CPUs: so much of its run may become wait, and none becomes idle."""
        return replace(self, run=(self.run[0] - other, self.run[1]), wait=(self.wait[0], self.wait[1] + other))


#: An idle Linux wakes a few times a second, and after its boot has something to tidy up.
IDLE = Account(run=(0.0, 0.12), wait=(0.0, 0.05), idle=(0.85, 1.0))
#: Wants its CPU all the time and has it: nothing is left over.
BUSY = Account(run=(0.85, 1.02), wait=(0.0, 0.15), idle=(-0.02, 0.03))
#: Wants its CPU all the time and shares it with one other that does.
HALF = Account(run=(0.40, 0.60), wait=(0.40, 0.60), idle=(-0.02, 0.03))


def other_load(host: Sequence[Sample], *guests: Sequence[Sample]) -> float:
    """CPUs that the host used for anything but the vCPUs of these guests, from its /proc/stat; never negative."""
    start_s, end_s = host[0].time_s, host[-1].time_s
    busy, cpus = host_busy(host, start_s, end_s), cpu_count(host)
    assert busy is not None
    assert cpus is not None
    grown = (
        samples[-1].values[name] - samples[0].values[name]
        for samples in guests
        for name in samples[0].values
        if name.startswith("vcpu.") and name.endswith(".run_ns")
    )
    return max(0.0, busy * cpus - sum(grown) / ((end_s - start_s) * NANOSECONDS_PER_SECOND))


def insist_accounts(samples: Sequence[Sample], expected: Mapping[int, Account], source: str) -> None:
    """Insist on the shares of each vCPU between the first sample and the last."""
    first, last = samples[0], samples[-1]
    wall_ns = (last.time_s - first.time_s) * NANOSECONDS_PER_SECOND
    told = sorted(int(name.split(".")[1]) for name in last.values if name.endswith(".run_ns"))
    assert told == sorted(expected), f"{source} counts vCPUs {told}"
    for vcpu, account in expected.items():
        run, wait = (
            (last.values[f"vcpu.{vcpu}.{what}_ns"] - first.values[f"vcpu.{vcpu}.{what}_ns"]) / wall_ns
            for what in ("run", "wait")
        )
        shares = {"run": run, "wait": wait, "idle": 1 - run - wait}
        wrong = {name: share for name, share in shares.items() if not _within(share, getattr(account, name))}
        assert not wrong, f"vCPU {vcpu} by {source}: {shares}, where {account} is expected"


def insist_both(told: Sequence[Sample], seen: Sequence[Sample], expected: Mapping[int, Account]) -> None:
    """Insist on the hypervisor's counters, on the host's own of the same threads, and on the check that compares them.

    Args:
        told: samples of the driver.
        seen: samples of the host with the vCPUs' threads, one after each of ``told``.
        expected: by vCPU.
    """
    insist_accounts(told, expected, "libvirt's counters")
    insist_accounts(seen, expected, "the host's schedstat")
    evidence = Evidence(
        start_s=told[0].time_s,
        end_s=told[-1].time_s,
        every_s=1.0,
        vcpus=len(expected),
        throughput=Throughput((), (), ()),
        vcpu=told,
        host=seen,
        guest=(),
        shares=(),
    )
    check = vcpu_threads(evidence)
    assert check is not None
    assert check.state == "ok", check.detail


def _within(share: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= share <= bounds[1]
