"""Observations, and what they make of each cell."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.inference.cell_scatter import CellScatter, cell_scatters
from orchestrator.core.verdict.inference.uncertainty import exp, mean_of


class Shares(Record):
    """Where a vCPU's wall time went, as fractions; ``None`` where it was not observed."""

    run: float | None = None
    wait: float | None = None
    idle: float | None = None

    @property
    def total(self) -> float | None:
        """Run + wait + idle, which is 1 when they belong to one window; ``None`` unless all three are known."""
        if self.run is None or self.wait is None or self.idle is None:
            return None
        return self.run + self.wait + self.idle


#: Where nothing about a vCPU's time was observed.
UNKNOWN = Shares()


@dataclass(frozen=True)
class Observation:
    """One trial, or one reading taken by hand.

    Attributes:
        shape, vcpus, memory: the guest's size; memory in bytes, ``None`` when it was not noted.
        workload, threads: the load.
        block: the pass over all cells it belongs to; ``None`` when the readings were not taken in blocks.
        throughput_per_s: operations per second, positive and finite.
        shares: averaged over the guest's vCPUs.
        per_vcpu: of each vCPU in order; empty when only the average is known.
        cpu_seconds_per_operation: vCPU run time per operation.
        steal: share of its time that the guest itself saw go to others; ``None`` where its kernel does not say.
    """

    shape: str
    vcpus: int
    memory: int | None
    workload: str
    threads: int
    block: int | None
    throughput_per_s: float
    shares: Shares = UNKNOWN
    per_vcpu: tuple[Shares, ...] = ()
    cpu_seconds_per_operation: float | None = None
    steal: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.throughput_per_s) and self.throughput_per_s > 0):
            raise ValueError(
                f"throughput of {self.throughput_per_s!r} cannot be compared; it must be positive and finite"
            )


class CellEstimate(Record):
    """One cell: shape x workload x threads.

    ``throughput_per_s`` is the geometric mean of its trials, ``low`` and ``high`` its confidence interval by Student's
    t on their logarithms; with a single trial there is none. Shares and CPU seconds are arithmetic means.
    """

    id: str
    shape: str
    vcpus: int
    memory: int | None
    workload: str
    threads: int
    trials: int
    throughput_per_s: float
    low: float | None
    high: float | None
    run: float | None
    wait: float | None
    idle: float | None
    per_vcpu: tuple[Shares, ...]
    cpu_seconds_per_operation: float | None


@dataclass(frozen=True)
class CellReadings:
    """The observations of one cell, ordered so that nothing depends on the order in which they came.

    Attributes:
        observations: one a trial.
        scatter: of this cell's trials, where its workload was measured in blocks.
    """

    observations: tuple[Observation, ...]
    scatter: CellScatter | None = None

    @property
    def first(self) -> Observation:
        """An observation to read the cell's constants from."""
        return self.observations[0]

    @property
    def key(self) -> tuple[str, int, str]:
        """Workload, threads, shape: what tells this cell from every other."""
        return (self.first.workload, self.first.threads, self.first.shape)

    @property
    def size(self) -> tuple[int, int, str]:
        """What 'smaller' means: vCPUs, then memory; the name only so that ties have an order."""
        return (self.first.vcpus, self.first.memory or 0, self.first.shape)

    @property
    def id(self) -> str:
        """``two-bookings-t2``."""
        return f"{self.first.shape}-{self.first.workload}-t{self.first.threads}"

    @cached_property
    def logs(self) -> tuple[float, ...]:
        """Natural logarithms of the throughputs."""
        return tuple(math.log(o.throughput_per_s) for o in self.observations)

    @cached_property
    def by_block(self) -> dict[int, float] | None:
        """Block to log of throughput; ``None`` when the readings were not taken in blocks."""
        blocks = [o.block for o in self.observations]
        return (
            {b: log for b, log in zip(blocks, self.logs, strict=True) if b is not None} if None not in blocks else None
        )

    def estimate(self, confidence: float) -> CellEstimate:
        """The cell as it is reported."""
        first, logs = self.first, mean_of(self.logs)
        bounds = logs.interval(confidence)
        return CellEstimate(
            id=self.id,
            shape=first.shape,
            vcpus=first.vcpus,
            memory=first.memory,
            workload=first.workload,
            threads=first.threads,
            trials=len(self.observations),
            # A single reading is given back as it was read, not as the exponential of its logarithm.
            throughput_per_s=exp(logs.value) if len(self.observations) > 1 else first.throughput_per_s,
            low=exp(bounds[0]) if bounds else None,
            high=exp(bounds[1]) if bounds else None,
            **_averaged([o.shares for o in self.observations]).model_dump(),
            per_vcpu=_averaged_per_vcpu(self.observations),
            cpu_seconds_per_operation=_mean(o.cpu_seconds_per_operation for o in self.observations),
        )


def cells_of(observations: Iterable[Observation]) -> tuple[CellReadings, ...]:
    """Sort observations into cells, ordered by workload, threads and size.

    Raises:
        ValueError: when a cell has two observations in one block, or a shape two sizes: neither can be what was meant.
    """
    grouped: dict[tuple[str, int, str], list[Observation]] = {}
    sizes: dict[str, tuple[int, int | None]] = {}
    for seen in observations:
        grouped.setdefault((seen.workload, seen.threads, seen.shape), []).append(seen)
        if sizes.setdefault(seen.shape, (seen.vcpus, seen.memory)) != (seen.vcpus, seen.memory):
            raise ValueError(f"shape {seen.shape!r} has two sizes among the observations")
    for (workload, threads, shape), cell in grouped.items():
        blocks = [o.block for o in cell if o.block is not None]
        if len(set(blocks)) < len(blocks):
            raise ValueError(f"shape {shape!r} with {threads} threads of {workload!r} was observed twice in one block")
    cells = (
        CellReadings(tuple(sorted(cell, key=lambda o: (o.block or 0, o.throughput_per_s)))) for cell in grouped.values()
    )
    ordered = sorted(cells, key=lambda c: (c.first.workload, c.first.threads, c.size))
    return tuple(
        cell for _, load in groupby(ordered, key=lambda c: c.first.workload) for cell in _with_scatter(list(load))
    )


def _with_scatter(cells: Sequence[CellReadings]) -> Iterator[CellReadings]:
    """The cells of one workload, each with what the whole design tells of how trials scatter."""
    blocked = [(number, by_block) for number, c in enumerate(cells) if (by_block := c.by_block) is not None]
    scatters = cell_scatters([by_block for _, by_block in blocked])
    of_cell = dict(zip((number for number, _ in blocked), scatters or (), strict=False))
    for number, cell in enumerate(cells):
        yield replace(cell, scatter=of_cell.get(number))


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None


def _averaged(shares: Sequence[Shares]) -> Shares:
    return Shares(
        run=_mean(s.run for s in shares), wait=_mean(s.wait for s in shares), idle=_mean(s.idle for s in shares)
    )


def _averaged_per_vcpu(observations: Sequence[Observation]) -> tuple[Shares, ...]:
    known = [o.per_vcpu for o in observations if o.per_vcpu]
    most = max((len(shares) for shares in known), default=0)
    return tuple(_averaged([shares[n] for shares in known if n < len(shares)]) for n in range(most))
