"""What a verdict is given: observations, the sizes of all shapes, and what had to be left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from orchestrator.core.design.neighbour import described, neighbours_in
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.record.run import PlannedTrial, RunRecord
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.cells import Observation, Shares
from orchestrator.core.verdict.sittings import Sitting, sittings
from orchestrator.core.verdict.words import capital, count, in_words, listed, so_many_of

#: How the reason of a trial begins that never became steady; where a sentence says that itself it is not repeated.
_UNSTEADY = "not steady: "
#: Said of readings without blocks, of which a cell has several.
UNBLOCKED = (
    "The readings name no blocks, so repeated ones are taken as independent: that is right if they were taken in "
    "random order, and too sure of itself if all readings of a cell were taken in a row."
)

Size = tuple[int, int | None]


@dataclass(frozen=True)
class Evidence:
    """Observations and what belongs to them.

    Attributes:
        observations: in any order.
        sizes: shape to vCPUs and memory; also of shapes that were meant to be measured and were not.
        remarks: what was left out and why, in sentences.
        tried: cells (workload, threads, shape) that were measured, steady or not; the remarks tell what does not count.
        block_s: seconds that a block takes, from its first reshape to its last stop; ``None`` where not known.
        sittings: in which the run was measured; empty where its trials followed one another, or that is not known.
    """

    observations: tuple[Observation, ...]
    sizes: Mapping[str, Size] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    tried: frozenset[tuple[str, int, str]] = frozenset()
    block_s: float | None = None
    sittings: tuple[Sitting, ...] = ()

    def all_sizes(self) -> dict[str, Size]:
        """Sizes of the shapes named and of those observed."""
        return dict(self.sizes) | {o.shape: (o.vcpus, o.memory) for o in self.observations}


def from_run(record: RunRecord, trials: Sequence[TrialRecord]) -> Evidence:
    """The evidence of a run: every trial that was measured is one observation, every other one is accounted for.

    Args:
        record: the run; its plan gives the shapes' sizes, its list of trials what should have been measured.
        trials: those that ended, in any order.
    """
    sizes = {str(s["name"]): _size(s) for s in record.declared.shapes}
    ordered = sorted(trials, key=lambda t: t.number)
    observations = tuple(o for t in ordered if (o := _observation(t, sizes)) is not None)
    beside = _beside(record)
    if not record.in_blocks:
        observations = tuple(replace(o, block=None) for o in observations)
        beside += [UNBLOCKED] if any(trial.block > 1 for trial in record.trials) else []
    unit = "block" if record.in_blocks else "reading"
    remarks = [*beside, *_left_out(ordered, unit), *_outstanding(record.trials, ordered), *_flagged(ordered)]
    tried = frozenset((t.workload, t.threads, t.shape) for t in ordered if t.outcome != "failed")
    return Evidence(
        observations, sizes, tuple(remarks), tried, _block_seconds(record.trials, ordered), sittings(ordered)
    )


def _block_seconds(planned: Sequence[PlannedTrial], ended: Sequence[TrialRecord]) -> float | None:
    """Mean time of a trial, failed ones left out, times the trials of a block."""
    spent = [sum(stage.seconds for stage in trial.stages) for trial in ended if trial.outcome != "failed"]
    if not spent or not any(spent):
        return None
    cells = {(trial.workload, trial.threads, trial.shape) for trial in planned}
    return sum(spent) / len(spent) * len(cells)


def _beside(record: RunRecord) -> list[str]:
    """What ran beside the guest by declaration: the figures hold for such a host."""
    beside = described(neighbours_in(record.plan))
    if not beside:
        return []
    return [f"Measured beside declared neighbours: {beside}. On a host without them the answer may differ."]


def _size(shape: Mapping[str, Any]) -> Size:
    memory = shape.get("memory")
    return int(shape["vcpus"]), None if memory is None else int(memory)


def _counts(trial: TrialRecord) -> bool:
    """Whether a trial is an observation: measured, steady, and with operations to speak of."""
    summary = trial.summary
    return (
        trial.outcome == "measured"
        and summary is not None
        and summary.throughput is not None
        and summary.throughput.mean > 0
    )


def _observation(trial: TrialRecord, sizes: Mapping[str, Size]) -> Observation | None:
    summary = trial.summary
    if not _counts(trial) or summary is None or summary.throughput is None:
        return None
    vcpus, memory = sizes[trial.shape]
    per_vcpu = tuple(Shares(run=v.run, wait=v.wait, idle=v.idle) for v in sorted(summary.vcpus, key=lambda v: v.vcpu))
    return Observation(
        shape=trial.shape,
        vcpus=vcpus,
        memory=memory,
        workload=trial.workload,
        threads=trial.threads,
        block=trial.block,
        throughput_per_s=summary.throughput.mean,
        shares=_over_vcpus(summary),
        per_vcpu=per_vcpu,
        cpu_seconds_per_operation=summary.cpu_seconds_per_operation,
        steal=summary.guest_steal,
    )


def _over_vcpus(summary: TrialSummary) -> Shares:
    """Average over all vCPUs; unavailable on one is unavailable for the guest."""
    vcpus, average = summary.vcpus, summary.vcpus_average
    if not vcpus:
        return Shares() if average is None else Shares(run=average.run, wait=average.wait, idle=average.idle)

    def mean(values: list[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        return sum(known) / len(known) if len(known) == len(values) else None

    return Shares(
        run=mean([v.run for v in vcpus]), wait=mean([v.wait for v in vcpus]), idle=mean([v.idle for v in vcpus])
    )


def _left_out(trials: Sequence[TrialRecord], unit: str) -> list[str]:
    """One sentence a cell for its trials that are no observations; ``unit`` is what the number of a block counts."""
    cells: dict[tuple[str, str, int], list[TrialRecord]] = {}
    for trial in trials:
        cells.setdefault((trial.shape, trial.workload, trial.threads), []).append(trial)
    remarks = []
    for (shape, workload, threads), ended in cells.items():
        if dropped := [t for t in ended if not _counts(t)]:
            why = [f"{unit} {t.block} {_why_not(t)}" for t in dropped[:3]]
            rest = f"; and {in_words(len(dropped) - 3)} more" if len(dropped) > 3 else ""
            verb = "does" if len(dropped) == 1 else "do"
            remarks.append(
                f"{capital(so_many_of(len(dropped), len(ended), 'trial'))} of shape {shape} with "
                f"{count(threads, 'thread')} of {workload} {verb} not count: {'; '.join(why)}{rest}."
            )
    return remarks


def _why_not(trial: TrialRecord) -> str:
    match trial.outcome:
        case "unsteady":
            return f"never became steady ({trial.reason.removeprefix(_UNSTEADY).rstrip('.')})"
        case "failed":
            return (
                f"failed{f' at stage {trial.failed_stage}' if trial.failed_stage else ''} ({trial.reason.rstrip('.')})"
            )
        case _:
            return "was measured without a throughput above zero"


def _outstanding(planned: Sequence[PlannedTrial], ended: Sequence[TrialRecord]) -> list[str]:
    missing = len({t.id for t in planned} - {t.id for t in ended})
    if not missing:
        return []
    were = "was" if missing == 1 else "were"
    return [f"{capital(so_many_of(missing, len(planned), 'planned trial'))} {were} not run."]


def _flagged(trials: Sequence[TrialRecord]) -> list[str]:
    """One sentence a check that asks for a look at some of the trials that count."""
    flags: dict[str, list[tuple[str, str]]] = {}
    for trial in filter(_counts, trials):
        for check in trial.summary.checks if trial.summary else ():
            if check.state == "flag":
                flags.setdefault(check.title, []).append((trial.id, check.detail))
    remarks = []
    for name, found in flags.items():
        ids, details = [trial for trial, _ in found], {detail for _, detail in found}
        named = listed(ids) if len(ids) <= 3 else f"{', '.join(ids[:3])} and others"
        where = f"trial {ids[0]}" if len(ids) == 1 else f"{count(len(ids), 'trial')} ({named})"
        first = "" if len(details) == 1 else "; in the first of them"
        remarks.append(f"Look at {where} before believing: {name} is flagged{first}: {found[0][1].rstrip('.')}.")
    return remarks
