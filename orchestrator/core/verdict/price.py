"""What a size costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

from orchestrator.core.record.stored_plan import StoredPlan

_GIB = 2.0**30


@dataclass(frozen=True)
class Price:
    """Prices of a vCPU and of memory.

    Attributes:
        vcpu: of one vCPU.
        memory: of 1 GiB.
        unit: what both are in, such as ``EUR an hour``.
    """

    vcpu: float = 0.0
    memory: float = 0.0
    unit: str = "units of cost"

    def __post_init__(self) -> None:
        if not all(math.isfinite(price) and price >= 0 for price in (self.vcpu, self.memory)):
            raise ValueError("a price is a number from 0 on")
        if self.vcpu == 0 and self.memory == 0:
            raise ValueError("vcpu and memory are both 0, so nothing costs anything; give the price of one at least")

    def of(self, vcpus: int, memory: int | None) -> float | None:
        """What a size costs; ``None`` when its memory has a price and is not known, or it costs nothing."""
        if memory is None and self.memory > 0:
            return None
        price = self.vcpu * vcpus + self.memory * (memory or 0) / _GIB
        return price if price > 0 else None


def price_in(plan: StoredPlan) -> Price | None:
    """The price that a stored plan declares."""
    found = plan.at("decide", "price")
    if not found:
        return None
    return Price(float(found.get("vcpu", 0)), float(found.get("memory", 0)), str(found.get("unit", Price.unit)))
