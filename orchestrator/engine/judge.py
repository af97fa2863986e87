"""The verbs behind a verdict: on readings taken by hand, and on a run of the store."""

from __future__ import annotations

from orchestrator.core.record.run import StoredRun
from orchestrator.core.verdict.evidence import Evidence, from_run
from orchestrator.core.verdict.rule import Rule, rule_of
from orchestrator.core.verdict.stopping import Stop, enough_blocks
from orchestrator.core.verdict.verdict import Verdict, verdict
from orchestrator.errors import InputError, Problem


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


def verdict_of(run: StoredRun, *, per: str = "second") -> Verdict:
    """The verdict on a stored run by the rule of its plan, in sentences that speak of throughput in this period."""
    return verdict(evidence_of(run), rule_of(run.record, per))


def evidence_of(run: StoredRun) -> Evidence:
    """What a run gives a verdict. Of a run that ends once it is decided, only blocks that were begun are missed."""
    due = run.needed
    if run.record.declared.until_decided:
        begun = max((trial.block for trial in run.trials), default=1)
        due = tuple(trial for trial in due if trial.block <= begun)
    return from_run(run.record.model_copy(update={"trials": due}), run.trials)
