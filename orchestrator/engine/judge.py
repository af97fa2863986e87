"""The verbs behind a verdict: on readings taken by hand, and on a run of the store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from orchestrator.core.measure.method import Step
from orchestrator.core.record.run import StoredRun
from orchestrator.core.verdict.evidence import Evidence, from_run
from orchestrator.core.verdict.method import explain_verdict
from orchestrator.core.verdict.rule import Rule, rule_of
from orchestrator.core.verdict.stopping import Stop, enough_blocks
from orchestrator.core.verdict.verdict import Verdict, verdict
from orchestrator.engine.ports import RunStore
from orchestrator.errors import InputError, Problem


@dataclass(frozen=True)
class JudgedRun:
    """A run and what follows from it."""

    run: StoredRun
    verdict: Verdict


def judge_readings(evidence: Evidence, rule: Rule | None = None) -> Verdict:
    """The verdict on readings that somebody collected."""
    return verdict(evidence, rule)


def look_at(evidence: Evidence, rule: Rule) -> Stop | None:
    """Whether enough blocks were measured by hand, where somebody looks while they are added.

    Raises:
        InputError: when the readings have no blocks, so that nobody could tell how often they were looked at.
    """
    if rule.looks is None:
        return None
    blocks = {o.block for o in evidence.observations}
    if None in blocks:
        message = "has no column block, so it cannot be told after how many blocks it is looked at; number the blocks"
        raise InputError([Problem("the table", "", message)])
    if len(blocks) > rule.looks[-1]:
        most = f"more than the {rule.looks[-1]} that were planned at most"
        message = f"holds {len(blocks)} blocks, {most}; raise that limit"
        raise InputError([Problem("the table", "", message)])
    return enough_blocks(evidence, rule, rule.looks)


def judge_run(
    store: RunStore, run: str, *, margin: float | None = None, confidence: float | None = None, per: str = "second"
) -> JudgedRun:
    """The verdict on a stored run, by the rule of its plan.

    Args:
        store: where the run is kept.
        run: its id, an unambiguous prefix, or ``last``.
        margin: another margin than the plan's, to see what it would change.
        confidence: another confidence than the plan's.
        per: the period that sentences speak in.

    Raises:
        StoreError: when there is no such run or it cannot be read.
    """
    found = store.find(run)
    return JudgedRun(found, verdict_of(found, margin=margin, confidence=confidence, per=per))


def verdict_of(
    run: StoredRun, *, margin: float | None = None, confidence: float | None = None, per: str = "second"
) -> Verdict:
    """The verdict on a run that has been read; arguments as for :func:`judge_run`."""
    rule = rule_of(run.record, per)
    if margin is not None:
        rule = replace(rule, margin=margin)
    if confidence is not None:
        rule = replace(rule, confidence=confidence)
    return verdict(evidence_of(run), rule)


def evidence_of(run: StoredRun) -> Evidence:
    """What a run gives a verdict. Of a run that ends once it is decided, only blocks that were begun are missed."""
    due, blocks = run.needed, run.record.plan.get("design", {}).get("blocks")
    if isinstance(blocks, Mapping):
        begun = max((trial.block for trial in run.trials), default=1)
        due = tuple(trial for trial in due if trial.block <= begun)
    return from_run(run.record.model_copy(update={"trials": due}), run.trials)


def explained(evidence: Evidence, rule: Rule, reached: Verdict) -> tuple[Step, ...]:
    """How a verdict was reached, step by step."""
    return explain_verdict(evidence, rule, reached)
