r"""The truth of the simulation: what a shape gives a number of threads, in closed form.

With P physical CPUs, N CPU-bound neighbours of weight 1, V vCPUs and T threads, A = min(T, V) vCPUs are at work:

* **share** f: the part of the time that a vCPU which wants a CPU has one.
  Proportional share (Waldspurger & Weihl 1995): ``f = min(1, P / (A + N))``,
  or at most ``k / A`` when pinned to k CPUs.
  Gang (Ousterhout 1982): see :func:`~orchestrator.hypervisors.simulated.shares.gang_share`; all V vCPUs count,
  at work or not.
* **demand** d of a vCPU at work: ``min(1, b T / A)`` with b the share of its time that a thread wants a CPU. Threads
  queue inside the guest for their vCPU, and that is no wait: the host never sees it. A vCPU without a thread wakes for
  the kernel's ticks only (``HOUSEKEEPING``). The guest's vCPUs work and pause in step, so f is that of all A at once.
* **split** of a vCPU's time: work c takes c / f, pauses are not stretched. A cycle of ``d / f + (1 - d)`` gives::

      run = d f / (d + (1 - d) f)    wait = d (1 - f) / (d + (1 - d) f)    idle = (1 - d) f / (d + (1 - d) f)

  which add up to 1. A quota of q CPUs lowers f until ``A run <= q``; the time throttled is wait.
* **throughput** X: CPU time used, by what an operation costs. The Universal Scalability Law (Gunther 2007) gives the
  capacity C of A vCPUs, and each vCPU beyond the first adds the fraction h to an operation::

      C(A) = A / (1 + sigma (A - 1) + kappa A (A - 1))
      X = rate C(A) (run of a vCPU at work) / (1 + h (V - 1))

The model has no caches, memory traffic, interrupts or wake-up latency; memory size changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.design.shape import Shape
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.hypervisors.simulated.shares import gang_share, water_fill
from orchestrator.units import Fraction, PerSecond, Seconds

#: Demand of a vCPU without a thread: a kernel's ticks and timers, of the order of a millisecond a second.
HOUSEKEEPING: Fraction = 0.001


@dataclass(frozen=True)
class Split:
    """Where a vCPU's time goes; the three add up to 1."""

    run: Fraction
    wait: Fraction
    idle: Fraction


@dataclass(frozen=True)
class Truth:
    """What the model gives in the steady state.

    Attributes:
        rate: operations per second, the mean over trials.
        run, wait, idle: of each vCPU, as fractions; the vCPUs at work come first.
        cpu_seconds_per_operation: the guest's CPU time for each operation; ``None`` where nothing is done.
        neighbours_run: CPUs that all neighbours together have.
    """

    rate: PerSecond
    run: tuple[Fraction, ...]
    wait: tuple[Fraction, ...]
    idle: tuple[Fraction, ...]
    cpu_seconds_per_operation: Seconds | None
    neighbours_run: float


def truth(settings: SimulatedSettings, shape: Shape, threads: int) -> Truth:
    """The steady state of ``threads`` threads on a guest of this shape; 0 threads is a guest without a load.

    Raises:
        ValueError: the shape can never run on this host.
    """
    vcpus, active = shape.vcpus, min(threads, shape.vcpus)
    share = cpu_share(settings, shape, max(active, 1))
    demand = min(1.0, settings.busy * threads / active) if active else 0.0
    at_work = split(demand, share)
    limit = shape.quota / active if shape.quota is not None and active else 1.0
    if at_work.run > limit:
        at_work = _throttled(demand, limit)
        share = at_work.run / (at_work.run + at_work.wait)
    resting = split(HOUSEKEEPING, share)
    splits = [at_work] * active + [resting] * (vcpus - active)
    rate = settings.rate * capacity(settings, active) * at_work.run / (1 + settings.cost_per_extra_vcpu * (vcpus - 1))
    wanted = at_work.run + at_work.wait if active else HOUSEKEEPING
    return Truth(
        rate=rate,
        run=tuple(s.run for s in splits),
        wait=tuple(s.wait for s in splits),
        idle=tuple(s.idle for s in splits),
        cpu_seconds_per_operation=sum(s.run for s in splits[:active]) / rate if rate else None,
        neighbours_run=_neighbours_run(settings, vcpus, share, wanted, sum(s.run for s in splits)),
    )


def cpu_share(settings: SimulatedSettings, shape: Shape, active: int) -> Fraction:
    """The part of the time that each of ``active`` vCPUs which want a CPU has one, quota aside."""
    usable = len(shape.pin) if shape.pin is not None else settings.cpus
    if settings.gang:
        if shape.vcpus > usable:
            raise ValueError(f"a gang of {shape.vcpus} vCPUs never fits on {usable} CPUs")
        return gang_share(settings.cpus, shape.vcpus, settings.neighbours)
    entities = active + settings.neighbours
    # Pinned vCPUs share the CPUs they may use; the neighbours are free to move to the others.
    caps = [min(1.0, usable / active)] * active + [1.0] * settings.neighbours
    return water_fill(settings.cpus, [1.0] * entities, caps)[0]


def split(demand: Fraction, share: Fraction) -> Split:
    """Where the time of a vCPU goes that wants a CPU for ``demand`` of its time, and then has one for ``share``."""
    cycle = demand + (1 - demand) * share
    return Split(demand * share / cycle, demand * (1 - share) / cycle, (1 - demand) * share / cycle)


def capacity(settings: SimulatedSettings, active: int) -> float:
    """The Universal Scalability Law: how many times the work of one vCPU ``active`` vCPUs do (Gunther 2007)."""
    return active / (1 + settings.serial * (active - 1) + settings.coherence * active * (active - 1))


def _throttled(demand: Fraction, run: Fraction) -> Split:
    """The split of a vCPU limited to ``run``: its pauses go with the work it gets done, and it waits the rest."""
    idle = run * (1 - demand) / demand
    return Split(run, 1 - run - idle, idle)


def _neighbours_run(
    settings: SimulatedSettings, vcpus: int, share: Fraction, wanted: Fraction, guest_run: float
) -> float:
    left = settings.cpus - guest_run
    if not settings.gang:
        return min(float(settings.neighbours), left)
    held = wanted * share
    beside, without = (min(settings.neighbours, cpus) for cpus in (settings.cpus - vcpus, settings.cpus))
    return min(held * beside + (1 - held) * without, left)
