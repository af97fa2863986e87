"""Whether another machine's clock runs as fast as the controller's, and times read from it in the controller's time."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.measure.clock import Offset

NOTABLE_RATE = 0.001
"""A clock that gains or loses more than 0.1 % makes "per second" of that machine another unit than everybody's."""


@dataclass(frozen=True)
class ClockRate:
    """How much faster another clock runs than the controller's.

    Attributes:
        rate: seconds gained per second; negative for a slow clock.
        uncertainty: half-width of what is known about it.
    """

    rate: float
    uncertainty: float


def clock_rate(before: Offset, after: Offset) -> ClockRate | None:
    """Compare a clock's offsets at two times; ``None`` when no time lies between them."""
    elapsed = after.at_s - before.at_s
    if elapsed <= 0:
        return None
    return ClockRate(
        (after.offset_s - before.offset_s) / elapsed, (before.uncertainty_s + after.uncertainty_s) / elapsed
    )


def controller_time(source_s: float, before: Offset, after: Offset | None = None) -> float:
    """The controller's time of an instant that another machine's clock called ``source_s``.

    With two offsets the line through both is used, with one the offset alone.
    """
    rate = clock_rate(before, after) if after is not None else None
    base = source_s - before.offset_s
    if rate is None:
        return base
    # source = t + offset + rate (t - at)  solved for t
    return before.at_s + (base - before.at_s) / (1 + rate.rate)
