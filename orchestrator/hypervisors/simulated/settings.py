"""What a lab may declare under ``with:`` for a host whose hypervisor is ``simulated``.

Everything has a default. The defaults are a small contended host: two CPUs, two CPU-bound neighbours, and a scheduler
that lets a guest's vCPUs run only together, so that a vCPU without a thread costs throughput.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from orchestrator.core.design.declared import (
    Declared,
    Duration,
    Finding,
    Flag,
    Percent,
    Size,
    Text,
    Whole,
    refusal,
    refuse,
)
from orchestrator.core.design.quantity import Celsius

FaultKind = Literal[
    "does-not-boot",
    "refuses-reshape",
    "refuses-start",
    "will-not-stop",
    "fewer-cpus",
    "less-memory",
    "drops-line",
    "falls-silent",
    "reboots",
    "clock-frozen",
    "counter-missing",
    "counter-falls",
    "workload-exits",
    "workload-hangs",
    "workload-floods",
    "workload-counts-back",
]


class WarmUpCurve(Declared):
    """The initial transient: throughput starts at ``1 - depth`` of its steady value and approaches it exponentially."""

    time_constant: Annotated[Duration, Field(gt=0)] = 8.0
    """After so long the shortfall has shrunk to 1/e, about 37 %."""
    depth: Annotated[Percent, Field(ge=0, le=1)] = 0.3
    """The shortfall at the launch."""


class Noise(Declared):
    """What chance adds to throughput. The truth stays the mean over trials."""

    within: Annotated[Percent, Field(ge=0, lt=0.5)] = 0.02
    """Standard deviation of the one-second throughput within a trial, of its mean."""
    correlation: Annotated[Percent, Field(ge=0, lt=1)] = 0.5
    """Correlation of one second's noise with the next: a first-order autoregression, AR(1)."""
    between: Annotated[Percent, Field(ge=0, lt=0.5)] = 0.01
    """Standard deviation of the logarithm of a trial's mean: every trial is a little faster or slower as a whole."""


class GuestClock(Declared):
    """The guest's own monotonic clock, which starts anew at each boot."""

    offset: Duration = 0.25
    """What it shows at power-on."""
    fast: Annotated[Percent, Field(ge=0, lt=0.5)] = 0.0
    """By how much it runs fast."""


class Defined(Declared):
    """The guest as it is found, and as it is put back in the end."""

    vcpus: Annotated[Whole, Field(ge=1, le=1024)] = 2
    memory: Annotated[Size, Field(ge=2**20)] = 4 * 2**30
    running: Flag = True


class Fault(Declared):
    """One thing that goes wrong on purpose.

    The kinds:
        ``does-not-boot``: the guest never answers.
        ``refuses-reshape``, ``refuses-start``: the hypervisor says no; the engine may try again.
        ``will-not-stop``: the guest ignores the request to shut down.
        ``fewer-cpus``, ``less-memory``: the guest sees a CPU less than its two or more, or half its memory.
        ``drops-line``: every login in the guest is cut.
        ``falls-silent``: logins stay open and nothing arrives any more.
        ``reboots``: the guest restarts by itself.
        ``clock-frozen``: the guest's clock stands still.
        ``counter-missing``: the host has no wait counter.
        ``counter-falls``: the vCPU counters start again from nothing.
        ``workload-exits``, ``workload-hangs``: the load ends with an error, or goes quiet.
        ``workload-floods``: huge, binary and unreadable lines come between the good ones.
        ``workload-counts-back``: the count of operations falls.
    """

    kind: FaultKind
    trial: Annotated[Whole, Field(ge=1)] | None = None
    """Strikes this trial only, counted from 1; a trial goes from a reshape to the next stop."""
    every: Annotated[Whole, Field(ge=1)] | None = None
    """Strikes each trial whose number is a multiple of it."""
    after: Annotated[Whole, Field(ge=0)] | None = None
    """Strikes all trials after this one."""
    at: Duration = 0.0
    """How long after the launch of the workload, for the kinds that strike a running load."""
    attempts: Annotated[Whole, Field(ge=1)] | None = None
    """It passes after having struck so often in one trial; unset, it does not pass."""

    @model_validator(mode="after")
    def _strikes_by_one_rule(self) -> Fault:
        given = [name for name in ("trial", "every", "after") if getattr(self, name) is not None]
        if len(given) != 1:
            found = " and ".join(given) if given else "none"
            raise refusal(f"a fault needs one of trial, every and after to say when it strikes; found {found}")
        return self

    def strikes(self, trial: int) -> bool:
        """Whether the fault belongs to the trial with this number."""
        if self.trial is not None:
            return trial == self.trial
        if self.every is not None:
            return trial > 0 and trial % self.every == 0
        return self.after is not None and trial > self.after


class OtherLoad(Declared):
    """Something else that runs on the host for a while, in time since the simulation began."""

    from_: Duration = 0.0
    """When it begins."""
    until: Duration
    """When it ends."""
    loops: Annotated[Whole, Field(ge=0, le=10_000)] = 1
    """Tasks that always want a CPU, each like one of the neighbours."""
    temperature: Celsius | None = None
    """Of the host's thermal zone meanwhile, where that is another than usual."""
    throttled: Flag = False
    """Whether the CPUs are throttled for heat meanwhile. It is counted, and slows nothing down."""

    @model_validator(mode="after")
    def _lasts(self) -> OtherLoad:
        if self.until <= self.from_:
            refuse([Finding(("until",), "it ends before it begins; write a later time")])
        return self


class SimulatedSettings(Declared):
    """A model host, its neighbours, its guest, the load, chance and mishaps; the equations are in :mod:`.model`."""

    cpus: Annotated[Whole, Field(ge=1, le=1024)] = 2
    """Physical CPUs of the host."""
    memory: Annotated[Size, Field(ge=2**20)] = 256 * 2**30
    """The most memory that a guest can be given."""
    neighbours: Annotated[Whole, Field(ge=0, le=10_000)] = 2
    """Other vCPUs on the host that always want a CPU, each with the same weight as one of the guest's."""
    gang: Flag = True
    """Whether the guest's vCPUs run only together: all of them on CPUs of their own, or none."""
    rate: Annotated[float, Field(gt=0, le=1e9, strict=True, allow_inf_nan=False)] = 1000.0
    """Operations per second of one thread on one vCPU that never waits."""
    busy: Annotated[Percent, Field(gt=0, le=1)] = 1.0
    """Share of its time that a thread wants a CPU, were it never kept waiting; the rest it pauses, as for a disk."""
    serial: Annotated[Percent, Field(ge=0, le=1)] = 0.0
    """Contention between vCPUs at work: sigma of the Universal Scalability Law."""
    coherence: Annotated[Percent, Field(ge=0, le=1)] = 0.0
    """Cost of keeping vCPUs at work coherent: kappa of the Universal Scalability Law."""
    cost_per_extra_vcpu: Annotated[Percent, Field(ge=0, le=1)] = 0.02
    """Extra CPU time for each operation and each vCPU beyond the first, used or not."""
    warm_up: WarmUpCurve = WarmUpCurve()
    noise: Noise = Noise()
    boot: Duration = 20.0
    """From power-on to the first answer of the guest."""
    shut_down: Duration = 5.0
    """From the request to power-off."""
    guest_clock: GuestClock = GuestClock()
    defined: Defined = Defined()
    line: Annotated[Text, Field(min_length=1)] = '{"operations": <operations>, "monotonic_s": <monotonic_s>}'
    """What the load prints each second, with ``<operations>`` (so far), ``<rate>`` (of the last second) and
    ``<monotonic_s>`` (the guest's clock) filled in. The default suits the built-in workloads; a command of your own
    needs a line that its reader can read."""
    other_load: tuple[OtherLoad, ...] = ()
    """What else runs on the host, and when."""
    temperature: Celsius | None = None
    """Of the host's one thermal zone; left out, the host has none and counts no throttling."""
    faults: tuple[Fault, ...] = ()
    seed: Annotated[Whole, Field(ge=0, lt=2**63)] = 1
    """Chance differs with it and with nothing else: same seed, same numbers."""

    @model_validator(mode="after")
    def _has_a_thermometer(self) -> SimulatedSettings:
        warm = [load for load in self.other_load if load.temperature is not None or load.throttled]
        if warm and self.temperature is None:
            at = ("other-load", self.other_load.index(warm[0]))
            refuse([Finding(at, "the host has no thermal zone to show this; give its usual temperature beside")])
        return self
