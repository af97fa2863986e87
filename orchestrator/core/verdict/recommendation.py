"""The recommendation for each load, and how size and threads fit each other over all loads."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.choice import Basis, choose, largest_mean
from orchestrator.core.verdict.comparison import log_ratio
from orchestrator.core.verdict.inference.family import Family
from orchestrator.core.verdict.inference.uncertainty import exp
from orchestrator.core.verdict.reasons import change_of_mind, reasons, sized
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.stake import Stake, stakes_of
from orchestrator.core.verdict.words import capital, change, count, listed


class Recommendation(Record):
    """The smallest adequate shape for one workload and thread count.

    ``ratio_to_best`` is its mean over that of the best shape; ``basis`` tells whether the intervals show it or only
    the figures speak for it; ``more_blocks`` how many further blocks would show it (``None``: nothing to settle, or
    too many), ``more_minutes`` how long they would take, where the time of a block is known.

    ``candidates`` are the shapes that cannot be excluded from being the right one, at the rule's confidence jointly
    over all loads of the workload; the recommended one is among them. ``certainty`` is the largest confidence at which
    it would be the only one; ``None`` where the figures carry no uncertainty. ``stakes`` holds what each candidate
    costs, empty when there is one only.
    """

    workload: str
    threads: int
    shape: str
    vcpus: int
    best: str
    ratio_to_best: float
    basis: Basis
    more_blocks: int | None
    reasons: tuple[str, ...]
    would_change: tuple[str, ...]
    candidates: tuple[str, ...] = ()
    certainty: float | None = None
    more_minutes: float | None = None
    stakes: tuple[Stake, ...] = ()


class Fit(Record):
    """How size and threads go together for one workload, when the thread count is free to choose.

    ``shape`` and ``threads`` name the cell with the largest mean of all.
    """

    workload: str
    shape: str
    threads: int
    sentence: str


def recommend(
    cells: Sequence[CellReadings], rule: Rule, family: Family, block_s: float | None = None
) -> Recommendation:
    """Recommend a shape for one load.

    Args:
        cells: one cell a shape, all with the same workload and threads.
        rule: margin, thresholds and price.
        family: of the comparisons of shapes within this workload.
        block_s: seconds that one more block takes, where known.
    """
    choice = choose(cells, margin=rule.margin, family=family)
    chosen, more = choice.chosen.first, choice.more_blocks
    minutes = more * block_s / 60 if more is not None and block_s is not None else None
    stakes = stakes_of(choice, rule)
    return Recommendation(
        workload=chosen.workload,
        threads=chosen.threads,
        shape=chosen.shape,
        vcpus=chosen.vcpus,
        best=choice.best.first.shape,
        ratio_to_best=1.0 if choice.chosen.key == choice.best.key else exp(log_ratio(choice.best, choice.chosen).value),
        basis=choice.basis,
        more_blocks=more,
        reasons=reasons(choice, rule, family, stakes),
        would_change=change_of_mind(choice, rule, minutes),
        candidates=tuple(c.first.shape for c in choice.candidates),
        certainty=choice.certainty,
        more_minutes=minutes,
        stakes=stakes,
    )


def fit(
    cells: Sequence[CellReadings], recommendations: Sequence[Recommendation], *, several: bool = False
) -> Fit | None:
    """Over all loads of one workload: which size goes with which threads, and which pair gives the most.

    Args:
        cells: of the workload.
        recommendations: one for each of its thread counts.
        several: whether there are other workloads, so that this one has to be named.

    Returns:
        ``None`` when there is only one thread count, so nothing to fit.
    """
    if len(recommendations) < 2:
        return None
    best = largest_mean(cells)
    by_key = {c.key: c for c in cells}
    chosen = [by_key[r.workload, r.threads, r.shape] for r in sorted(recommendations, key=lambda r: r.threads)]
    # Thread counts that lead to the same shape are named together.
    runs = [(shape, list(found)) for shape, found in groupby(chosen, key=lambda c: c.first.shape)]
    advice = [f"{sized(found[0], cells)} for {_threads(found)}" for _, found in runs]
    if all(r.basis == "only shape measured" for r in recommendations) and len(runs) == 1:
        start = (
            f"{sized(chosen[0], cells)} is the only one measured, so how size and threads fit each other is not known. "
        )
        sentence = capital(start) + _ranking(best, chosen)
    else:
        of = f" of {best.first.workload}" if several else ""
        start = (
            f"Size and threads{of} must fit each other"
            if len(runs) > 1
            else f"The same size fits every thread count{of}"
        )
        sentence = f"{start}: " + listed(advice) + ". " + _ranking(best, chosen)
    return Fit(workload=best.first.workload, shape=best.first.shape, threads=best.first.threads, sentence=sentence)


def _threads(cells: Sequence[CellReadings]) -> str:
    counts = [c.first.threads for c in cells]
    return count(counts[0], "thread") if len(counts) == 1 else f"{listed([str(c) for c in counts])} threads"


def _ranking(best: CellReadings, chosen: Sequence[CellReadings]) -> str:
    """The pair with the largest mean, and how far each other recommended pair is behind it."""
    start = f"Shape {best.first.shape} with {count(best.first.threads, 'thread')} gives the most of all"
    behind = []
    for cell in (c for c in chosen if c.key != best.key):
        estimate = log_ratio(best, cell)
        changed = change(exp(estimate.value), whole=estimate.error is None)
        behind.append(f"{cell.first.shape} with {count(cell.first.threads, 'thread')} {changed}")
    return f"{start}; {listed(behind)}." if behind else f"{start}."
