"""Clock offsets by the exchange of four timestamps (RFC 5905, section 8)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Exchange:
    """One request and its answer.

    Attributes:
        sent_s: controller's clock when the request was sent (T1).
        received_s: the other machine's clock when it arrived (T2).
        answered_s: the other machine's clock when the answer left (T3).
        back_s: controller's clock when the answer arrived (T4).
        resolution_s: step of the other machine's clock, as far as it is known (10 ms for /proc/uptime).
    """

    sent_s: float
    received_s: float
    answered_s: float
    back_s: float
    resolution_s: float = 0.0

    @property
    def offset_s(self) -> float:
        """Other machine's clock less the controller's: ((T2 - T1) + (T3 - T4)) / 2."""
        return ((self.received_s - self.sent_s) + (self.answered_s - self.back_s)) / 2

    @property
    def delay_s(self) -> float:
        """Round trip: (T4 - T1) - (T3 - T2)."""
        return (self.back_s - self.sent_s) - (self.answered_s - self.received_s)


@dataclass(frozen=True)
class Offset:
    """The best of many exchanges.

    Attributes:
        offset_s: other clock less the controller's.
        uncertainty_s: half the round trip of the chosen exchange, which bounds any asymmetry of the path, plus the step
            of the other clock.
        at_s: controller's clock to which it belongs.
        exchanges: how many it was chosen from.
    """

    offset_s: float
    uncertainty_s: float
    at_s: float
    exchanges: int


def best_offset(exchanges: Sequence[Exchange]) -> Offset:
    """The offset from the exchange with the smallest round trip.

    Raises:
        ValueError: when there is no exchange.
    """
    if not exchanges:
        raise ValueError("no exchange of timestamps to choose from")
    best = min(exchanges, key=lambda e: e.delay_s)
    return Offset(
        best.offset_s, max(best.delay_s, 0.0) / 2 + best.resolution_s, (best.sent_s + best.back_s) / 2, len(exchanges)
    )
