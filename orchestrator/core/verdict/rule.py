"""The rule by which a verdict is reached."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.record.run import RunRecord
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
    """

    margin: float = 0.03
    confidence: float = 0.95
    per: str = "second"
    wait: float = 0.05
    idle: float = 0.90

    def __post_init__(self) -> None:
        if not 0 < self.margin < 1:
            raise ValueError(f"a margin of {self.margin!r} is none; it lies between 0 and 1")
        if not 0.5 <= self.confidence < 1:
            raise ValueError(f"a confidence of {self.confidence!r} is none; it lies between 0.5 and 1")
        if self.per not in PERIODS:
            raise ValueError(f"{self.per!r} is not a period; use one of {', '.join(PERIODS)}")


def rule_of(record: RunRecord, per: str = "second") -> Rule:
    """The rule that a run's plan declared."""
    decide = record.plan["decide"]
    return Rule(margin=float(decide["margin"]), confidence=float(decide["confidence"]), per=per)
