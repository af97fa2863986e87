"""The verbs behind a verdict: on readings taken by hand, and on a run of the store."""

from __future__ import annotations

from dataclasses import dataclass, replace

from orchestrator.core.record.run import StoredRun
from orchestrator.core.verdict.evidence import Evidence, from_run
from orchestrator.core.verdict.rule import Rule, rule_of
from orchestrator.core.verdict.verdict import Verdict, verdict
from orchestrator.engine.ports import RunStore


@dataclass(frozen=True)
class JudgedRun:
    """A run and what follows from it."""

    run: StoredRun
    verdict: Verdict


def judge_readings(evidence: Evidence, rule: Rule | None = None) -> Verdict:
    """The verdict on readings that somebody collected."""
    return verdict(evidence, rule)


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
    return verdict(from_run(run.record, run.trials), rule)
