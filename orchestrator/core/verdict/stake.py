"""What is at stake between shapes that cannot be told apart yet."""

from __future__ import annotations

from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.choice import Choice
from orchestrator.core.verdict.inference.uncertainty import exp
from orchestrator.core.verdict.rule import Rule


class Stake(Record):
    """What taking one of several candidates costs, set against the smallest of them.

    ``may_lose`` is the share of the best throughput that the intervals allow it to lack, at the most; ``more_vcpus``
    and ``more_memory`` (bytes; ``None`` when not known) what it has more than the smallest candidate; ``more_cost`` the
    same in the price's unit, ``None`` without a price.
    """

    shape: str
    may_lose: float
    more_vcpus: int
    more_memory: int | None
    more_cost: float | None


def stakes_of(choice: Choice, rule: Rule) -> tuple[Stake, ...]:
    """What each candidate costs; nothing where there is one only, or figures without an interval."""
    candidates = choice.candidates
    if choice.basis != "figures":
        return ()
    least = candidates[0].first
    found = []
    for cell in candidates:
        seen = cell.first
        known = seen.memory is not None and least.memory is not None
        prices = [rule.price.of(c.vcpus, c.memory) if rule.price else None for c in (seen, least)]
        found.append(
            Stake(
                shape=seen.shape,
                may_lose=max(0.0, 1 - exp(choice.lowest(cell))),
                more_vcpus=seen.vcpus - least.vcpus,
                more_memory=(seen.memory or 0) - (least.memory or 0) if known else None,
                more_cost=prices[0] - prices[1] if prices[0] is not None and prices[1] is not None else None,
            )
        )
    return tuple(found)
