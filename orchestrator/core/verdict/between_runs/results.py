"""What a comparison of runs concludes, as values."""

from __future__ import annotations

from typing import Literal

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.comparison import Correction, Word

#: How likely a difference of the surroundings is to change throughput (common practice, no published source).
Weight = Literal["likely", "possible", "unlikely"]
#: ``definition``: size and load are the same, whatever they are called. ``name``: one side knows no more than that.
MatchedBy = Literal["definition", "name"]


class Change(Record):
    """One cell in the new run against the same cell in the base.

    ``base_cell`` and ``cell`` are its ids in the two. Throughputs are geometric means over trials, in operations per
    second, with the interval of each by itself. ``low`` and ``high`` bound ``ratio`` (new over base), simultaneously
    over all cells of the comparison, except that with the correction ``Holm, stepwise`` the end near 1 is that of the
    step; ``None`` where a side was read only once. ``p`` is of no difference (two-sided, uncorrected), ``p_holm`` the
    same corrected for all cells (Holm 1979).

    ``not_worse`` says that no loss of more than the margin is left: ``worst``, the low end of the cell's own interval
    at the confidence of an "equivalent" (or at that of the joint interval, where that is less), lies above it. Where
    all cells have to pass together each is judged by itself, since a cell that lost passes no oftener than it would
    alone (intersection-union test, Berger 1982, Technometrics 24, 295); so ``worst`` may lie above ``low``.

    ``more_blocks`` decide an undecided one with 90 % power when both sides gain them, ``more_blocks_new`` when only the
    new one does; where the base is several runs it is ``more_base_runs`` of them instead; ``None`` when decided,
    unknown or too many. ``cpu_*`` is the ratio of operations per CPU second, ``None`` where that is not known.
    """

    cell: str
    base_cell: str
    shape: str
    vcpus: int
    memory: int | None
    workload: str
    threads: int
    matched_by: MatchedBy
    base_trials: int
    new_trials: int
    base_per_s: float
    base_low: float | None
    base_high: float | None
    new_per_s: float
    new_low: float | None
    new_high: float | None
    ratio: float
    low: float | None
    high: float | None
    verdict: Word
    not_worse: bool
    p: float | None
    p_holm: float | None
    confidence_alone: float | None
    correction: Correction | Literal["Holm, stepwise"]
    more_blocks: int | None
    more_blocks_new: int | None
    more_base_runs: int | None = None
    worst: float | None = None
    cpu_ratio: float | None = None
    cpu_low: float | None = None
    cpu_high: float | None = None
    base_per_cpu_s: float | None = None
    new_per_cpu_s: float | None = None
    remarks: tuple[str, ...] = ()


class Unmatched(Record):
    """A cell that only one of the two has, or that is another thing there; never dropped in silence."""

    side: Literal["base", "new"]
    cell: str
    why: str


class Overall(Record):
    """All matched cells together: the geometric mean of their ratios, with its interval.

    ``per_vcpu`` and ``per_cpu_s`` are geometric means over cells of operations per second for each vCPU, and of
    operations for each CPU second; the latter with the interval of its ratio. ``None`` where not every cell knows.
    """

    cells: int
    ratio: float
    low: float | None
    high: float | None
    verdict: Word
    base_blocks: int
    new_blocks: int
    base_per_vcpu: float
    new_per_vcpu: float
    base_per_cpu_s: float | None = None
    new_per_cpu_s: float | None = None
    cpu_ratio: float | None = None
    cpu_low: float | None = None
    cpu_high: float | None = None


class Difference(Record):
    """Something of the surroundings that is not the same in both runs.

    Attributes:
        where: ``host``, ``guest``, ``hypervisor`` (the guest as it is defined), ``method`` (how it was measured).
        fact: its key there.
        meaning: the fact in words.
        base, new: what each run says; ``None`` where it does not tell.
        weight: see :data:`Weight`.
        sentence: all of it in words.
    """

    where: Literal["host", "guest", "hypervisor", "method"]
    fact: str
    meaning: str
    base: str | None
    new: str | None
    weight: Weight
    sentence: str


class Repetition(Record):
    """What a repeated experiment says of the original, in the terms of ACM's badging, version 1.1 (2020).

    Attributes:
        term: ``repeated``: same set-up; ``reproduced``: their artefacts in another set-up; ``not``: neither, for some
            cell; ``open``: no cell contradicts, and not every cell is decided.
        agree, differ, undecided: ids of cells; ``differ``: by more than the margin, as shown.
        shapes: for each load, whether the same shape still fits, a sentence each.
        same_shapes: whether all of them do; ``None`` where that is open.
        sentence: the statement.
    """

    term: Literal["repeated", "reproduced", "not", "open"]
    agree: tuple[str, ...]
    differ: tuple[str, ...]
    undecided: tuple[str, ...]
    shapes: tuple[str, ...]
    same_shapes: bool | None
    sentence: str


class RunsCompared(Record):
    """A new run set against a base.

    ``base`` has more than one id where the base is several runs: then whole runs are the readings, and what changes
    from run to run is in the intervals. ``answer`` is all of it in a sentence or two; ``remarks`` are what a reader has
    to know beside it. ``repetition`` is there where the new run repeats the base from a bundle.
    """

    base: tuple[str, ...]
    new: str
    margin: float
    confidence: float
    per: str
    runs_are_readings: bool
    answer: str
    changes: tuple[Change, ...]
    unmatched: tuple[Unmatched, ...]
    overall: Overall | None
    surroundings: tuple[Difference, ...]
    remarks: tuple[str, ...]
    repetition: Repetition | None = None
