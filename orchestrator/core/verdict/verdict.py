"""The whole verdict: observations in, cells, comparisons, recommendations and remarks out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellEstimate, CellReadings, cells_of
from orchestrator.core.verdict.comparison import Comparison, compare_all, family_of
from orchestrator.core.verdict.demand.demands import Demand, demands
from orchestrator.core.verdict.drift import Drift, drift_remarks, drifts
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.inference.family import Look
from orchestrator.core.verdict.inference.power import POWER
from orchestrator.core.verdict.recommendation import Fit, Recommendation, fit, recommend
from orchestrator.core.verdict.remarks import remarks
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.scaling import Scaling, scalings
from orchestrator.core.verdict.templates import TemplateFinding, template_findings, templates_answer
from orchestrator.core.verdict.value import BestValue, CellValue, best_values, values
from orchestrator.core.verdict.words import capital, count, in_words, listed
from orchestrator.units import format_percent

#: More loads than these few would make the answer a list.
_FEW = 2


class Verdict(Record):
    """What follows from the observations; a pure function of them and of the rule, whatever their order.

    ``answer`` is the whole in a sentence or two. ``fits`` holds, for each workload with several thread counts, how size
    and threads go together; ``values`` and ``best_values``, with a price, what each cell gives for it and which shape
    gives the most, in ``price_unit``. ``looks`` tells after how many blocks the run was looked at, ``None`` where their
    number was fixed: the intervals of all looks hold together. ``templates`` are those of the plan's catalogue.
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
    scaling: tuple[Scaling, ...] = ()
    demands: tuple[Demand, ...] = ()
    values: tuple[CellValue, ...] = ()
    best_values: tuple[BestValue, ...] = ()
    price_unit: str | None = None
    looks: tuple[int, ...] | None = None
    drifts: tuple[Drift, ...] = ()
    templates: tuple[TemplateFinding, ...] = ()


def verdict(evidence: Evidence, rule: Rule | None = None) -> Verdict:
    """Reach the verdict.

    Raises:
        ValueError: when observations contradict each other (see :func:`orchestrator.core.verdict.cells.cells_of`).
    """
    rule = rule if rule is not None else Rule()
    cells, look = cells_of(evidence.observations), _look(evidence, rule)
    compared = compare_all(cells, margin=rule.margin, confidence=rule.confidence, look=look)
    drifted = drifts(cells, evidence.sittings, rule.confidence)
    recommended: list[Recommendation] = []
    fits: list[Fit] = []
    several = len({c.first.workload for c in cells}) > 1
    for _, load in groupby(cells, key=lambda c: c.first.workload):
        of_workload = list(load)
        family = family_of(of_workload, rule.confidence, look)
        found = [
            recommend(list(alike), rule, family, evidence.block_s)
            for _, alike in groupby(of_workload, key=lambda c: c.first.threads)
        ]
        recommended += found
        if (fitting := fit(of_workload, found, several=several)) is not None:
            fits.append(fitting)
    found_templates = template_findings(rule.templates, cells, margin=rule.margin, confidence=rule.confidence)
    answer = _answer(recommended, cells, rule) if recommended else _no_answer(evidence)
    return Verdict(
        answer=templates_answer(found_templates) if found_templates and cells else answer,
        margin=rule.margin,
        confidence=rule.confidence,
        power=POWER,
        per=rule.per,
        cells=tuple(c.estimate(rule.confidence) for c in cells),
        comparisons=compared,
        recommendations=tuple(recommended),
        fits=tuple(fits),
        remarks=(
            *remarks(cells, compared, evidence, rule),
            *drift_remarks(drifted, evidence.sittings),
            *evidence.remarks,
        ),
        scaling=scalings(cells, rule),
        demands=demands(cells, rule),
        values=values(cells, rule.price, rule.confidence) if rule.price else (),
        best_values=best_values(cells, rule.price, rule.confidence, look) if rule.price else (),
        price_unit=rule.price.unit if rule.price else None,
        looks=rule.looks,
        drifts=drifted,
        templates=found_templates,
    )


def _look(evidence: Evidence, rule: Rule) -> Look | None:
    """Which of several looks at the run this is; ``None`` where the number of blocks was fixed."""
    blocks = len({o.block for o in evidence.observations if o.block is not None})
    return Look(blocks, rule.looks) if rule.looks and blocks else None


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
        loads: dict[tuple[str, int], list[int]] = {}
        for r in found:
            loads.setdefault((r.shape, r.vcpus), []).append(r.threads)
        advice = [f"shape {shape} ({count_vcpus(vcpus)}) for {_counts(n)}" for (shape, vcpus), n in loads.items()]
        sentences.append(f"{f'For {workload} take' if several else 'Take'} {listed(advice)}.")
    return " ".join([*sentences, _how_sure(recommended, cells, rule)])


def _counts(threads: Sequence[int]) -> str:
    """``one thread``, ``two, four and eight threads``."""
    *others, last = threads
    return listed([*(in_words(n) for n in others), count(last, "thread")])


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
            each = "it stands" if len(loads) == 1 else "each stands"
            whole = {"figures": "so far it rests on the figures only", "only shape measured": f"{each} {text}"}
            return capital(f"{whole.get(basis, f'this is {text}')}.{_open(recommended, rule)}")
        if loads:
            parts.append(f"{text} for {listed(loads)}")
    return capital("; ".join(parts) + ".") + _open(recommended, rule)


def _open(recommended: Sequence[Recommendation], rule: Rule) -> str:
    """Between which shapes it is open, where few words tell."""
    undecided = [r for r in recommended if r.basis == "figures" and len(r.candidates) > 1]
    if not 0 < len(undecided) <= _FEW:
        return ""
    where = [f" for {_load(r, recommended)}" if len(recommended) > 1 else "" for r in undecided]
    found = [f"{listed(list(r.candidates), joint='or')}{load}" for r, load in zip(undecided, where, strict=True)]
    return f" At {format_percent(rule.confidence)} confidence it may be shape {listed(found)}."


def _load(recommendation: Recommendation, all_of_them: Sequence[Recommendation]) -> str:
    several = len({r.workload for r in all_of_them}) > 1
    return (
        f"{recommendation.workload} with {count(recommendation.threads, 'thread')}"
        if several
        else count(recommendation.threads, "thread")
    )
