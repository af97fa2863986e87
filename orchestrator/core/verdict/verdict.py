"""The whole verdict: observations in, cells, comparisons, recommendations and remarks out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellEstimate, CellReadings, cells_of
from orchestrator.core.verdict.comparison import Comparison, compare, family_sizes, pairs
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.power import POWER
from orchestrator.core.verdict.recommendation import Fit, Recommendation, fit, recommend
from orchestrator.core.verdict.remarks import remarks
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.words import capital, count, listed
from orchestrator.units import format_percent


class Verdict(Record):
    """What follows from the observations; a pure function of them and of the rule, whatever their order.

    ``answer`` is the whole in a sentence or two. ``fits`` holds, for each workload with several thread counts, how size
    and threads go together.
    """

    answer: str
    margin: float
    confidence: float
    power: float
    per: str
    cells: tuple[CellEstimate, ...]
    comparisons: tuple[Comparison, ...]
    recommendations: tuple[Recommendation, ...]
    fits: tuple[Fit, ...]
    remarks: tuple[str, ...]


def verdict(evidence: Evidence, rule: Rule | None = None) -> Verdict:
    """Reach the verdict.

    Raises:
        ValueError: when observations contradict each other (see :func:`orchestrator.core.verdict.cells.cells_of`).
    """
    rule = rule if rule is not None else Rule()
    cells = cells_of(evidence.observations)
    chosen = pairs(cells)
    families = family_sizes(chosen)
    compared = tuple(
        compare(
            pair,
            margin=rule.margin,
            confidence=rule.confidence,
            family=families[pair.base.first.workload, pair.question],
        )
        for pair in chosen
    )
    recommended: list[Recommendation] = []
    fits: list[Fit] = []
    for workload, load in groupby(cells, key=lambda c: c.first.workload):
        of_workload = list(load)
        found = [
            recommend(list(alike), rule, families.get((workload, "size"), 1))
            for _, alike in groupby(of_workload, key=lambda c: c.first.threads)
        ]
        recommended += found
        if (fitting := fit(of_workload, found)) is not None:
            fits.append(fitting)
    return Verdict(
        answer=_answer(recommended, cells, rule) if recommended else _no_answer(evidence),
        margin=rule.margin,
        confidence=rule.confidence,
        power=POWER,
        per=rule.per,
        cells=tuple(c.estimate(rule.confidence) for c in cells),
        comparisons=compared,
        recommendations=tuple(recommended),
        fits=tuple(fits),
        remarks=(*remarks(cells, compared, evidence, rule), *evidence.remarks),
    )


def _no_answer(evidence: Evidence) -> str:
    """Why there is none: the remarks tell of each cell."""
    if evidence.tried:
        return "No trial gave a steady throughput above zero, so nothing can be said; the remarks tell why."
    return "No trial was measured, so nothing can be said."


def _answer(recommended: Sequence[Recommendation], cells: Sequence[CellReadings], rule: Rule) -> str:
    """The shapes in one sentence for each workload, and in another how far that is shown."""
    several = len({r.workload for r in recommended}) > 1
    sentences = []
    for workload, found in groupby(recommended, key=lambda r: r.workload):
        advice = [f"shape {r.shape} ({count_vcpus(r.vcpus)}) for {count(r.threads, 'thread')}" for r in found]
        sentences.append(f"{f'For {workload} take' if several else 'Take'} {listed(advice)}.")
    return " ".join([*sentences, _how_sure(recommended, cells, rule)])


def count_vcpus(number: int) -> str:
    """``1 vCPU``, ``2 vCPUs``: digits, since shapes are often named by the word."""
    return f"{number} vCPU{'' if number == 1 else 's'}"


def _how_sure(recommended: Sequence[Recommendation], cells: Sequence[CellReadings], rule: Rule) -> str:
    if all(len(c.observations) == 1 for c in cells):
        return "That is what the figures say; one reading a cell carries no uncertainty, so chance may have said it."
    kinds = {
        "shown": f"shown at {format_percent(rule.confidence)} confidence",
        "figures": "so far on the figures only",
        "single readings": "on figures without an interval",
        "only shape measured": "for want of another shape",
    }
    parts = []
    for basis, text in kinds.items():
        loads = [_load(r, recommended) for r in recommended if r.basis == basis]
        if len(loads) == len(recommended):
            return capital(f"{'this is ' if basis != 'only shape measured' else 'each stands '}{text}.")
        if loads:
            parts.append(f"{text} for {listed(loads)}")
    return capital("; ".join(parts) + ".")


def _load(recommendation: Recommendation, all_of_them: Sequence[Recommendation]) -> str:
    several = len({r.workload for r in all_of_them}) > 1
    return (
        f"{recommendation.workload} with {count(recommendation.threads, 'thread')}"
        if several
        else count(recommendation.threads, "thread")
    )
