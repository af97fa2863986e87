"""What is told of a cell's history, as values."""

from __future__ import annotations

from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.record.facts import Weight
from orchestrator.core.verdict.history.course import Kind


class Upgrade(Record):
    """Something of the surroundings that a run found other than the run before it.

    Attributes:
        where: ``host``, ``hypervisor``, ``guest``, or ``method``: how it was measured.
        fact: its key there.
        before, after: as told by the machine; not to be printed without escaping.
        sentence: all of it in words.
    """

    where: Literal["host", "hypervisor", "guest", "method"]
    fact: str
    before: str
    after: str
    weight: Weight
    sentence: str


class Point(Record):
    """A run of a history.

    Attributes:
        cell: the cell's id in this run, whose plan may call it otherwise.
        trials: steady ones; their geometric mean is ``per_s``, in operations per second.
        low, high: its interval by the scatter of trials within runs; ``None`` where no run had two trials.
        level_per_s: what the steps and the drift make of it.
        changed: since the run before it, the likeliest to matter first.
    """

    run: str
    short: str
    started_utc: str
    state: str
    cell: str
    trials: int
    per_s: float
    low: float | None
    high: float | None
    level_per_s: float
    changed: tuple[Upgrade, ...]


class Step(Record):
    """A step of the level.

    Attributes:
        run: the first run after it; with it the first runs after it that cannot be excluded.
        ratio: level after over level before, with its interval over the likely places.
        p: at least the chance of a step as clear where there is none.
        matters: whether it is beyond the margin for sure (true), within it for sure (false), or neither (``None``).
        beside: what changed in the surroundings where the step may lie.
    """

    run: str
    earliest: str
    latest: str
    ratio: float
    low: float
    high: float
    p: float
    matters: bool | None
    beside: tuple[Upgrade, ...]


class SlowDrift(Record):
    """A change a little with each run: last run over first, with its interval; the rest as of :class:`Step`."""

    ratio: float
    low: float
    high: float
    p: float
    matters: bool | None


class CellHistory(Record):
    """One cell on one guest through the runs.

    Attributes:
        cell: its id in the latest run.
        answer: what is to be said of it, a sentence or several.
        remarks: what a reader has to know beside it.
        sd: standard deviation of the logs of whole runs about the level.
        margin: of the latest run's plan; ``None`` where it has none.
    """

    cell: str
    shape: str
    vcpus: int
    memory: int | None
    workload: str
    threads: int
    files: dict[str, str]
    guest: str
    guest_kind: str
    kind: Kind
    answer: tuple[str, ...]
    points: tuple[Point, ...]
    steps: tuple[Step, ...]
    drift: SlowDrift | None
    sd: float | None
    margin: float | None
    remarks: tuple[str, ...]
