"""The rule by which a verdict is reached."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.stored_plan import StoredPlan
from orchestrator.core.verdict.inference.sequential import looks
from orchestrator.core.verdict.price import Price, price_in
from orchestrator.core.verdict.templates import Expected, templates_in
from orchestrator.units import PERIODS

#: Stands beside every threshold that no published source backs.
COMMON_PRACTICE = "common practice, no published source"


@dataclass(frozen=True)
class Rule:
    """What matters, and how sure the verdict has to be.

    Attributes:
        margin: the smallest relative difference in throughput that matters.
        confidence: of each family of intervals.
        per: the period that sentences speak in: ``second``, ``minute`` or ``hour``.
        wait: from which share of its time a vCPU's waiting is worth a word (common practice, no published source).
        idle: from which share of its time a vCPU counts as idle (common practice, no published source).
        price: of vCPUs and memory; ``None`` where nothing is to be said of cost.
        looks: after how many blocks the evidence was looked at, of a run that ends as soon as it decides: every
            interval is widened so that those of all looks hold together. ``None`` where the number was fixed.
        templates: of a catalogue, to see whether each keeps its rank.
    """

    margin: float = 0.03
    confidence: float = 0.95
    per: str = "second"
    wait: float = 0.05
    idle: float = 0.90
    price: Price | None = None
    looks: tuple[int, ...] | None = None
    templates: tuple[Expected, ...] = ()

    def __post_init__(self) -> None:
        if not 0 < self.margin < 1:
            raise ValueError(f"a margin of {self.margin!r} is none; it lies between 0 and 1")
        if not 0.5 <= self.confidence < 1:
            raise ValueError(f"a confidence of {self.confidence!r} is none; it lies between 0.5 and 1")
        if self.per not in PERIODS:
            raise ValueError(f"{self.per!r} is not a period; use one of {', '.join(PERIODS)}")


def rule_of(record: RunRecord, per: str = "second") -> Rule:
    """The rule that a run's plan declared; of a plan stored before it could declare something, the usual."""
    declared = record.declared
    return Rule(
        margin=declared.margin,
        confidence=declared.confidence,
        per=per,
        wait=declared.number("decide", "wait", usual=Rule.wait),
        idle=declared.number("decide", "idle", usual=Rule.idle),
        price=price_in(declared),
        looks=_looks_in(declared),
        templates=templates_in(record.plan),
    )


def _looks_in(plan: StoredPlan) -> tuple[int, ...] | None:
    """When a run of this plan is looked at; ``None`` where the plan fixes the number of blocks."""
    least, most = plan.least_blocks, plan.most_blocks
    return looks(least, most) if least is not None and most is not None else None
