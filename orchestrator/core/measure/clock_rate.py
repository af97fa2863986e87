"""Whether another machine's clock runs as fast as the controller's, and what was read by it in the controller's time.

A program that says how many operations it did per second means seconds of its own clock. A guest's clock that gains g
seconds a second makes them too few: per second of the controller they are 1 + g times as many. A cumulative count does
not depend on a clock; where its lines carry the guest's time, the time between them is turned into the controller's,
and is as uncertain as the rate of the guest's clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.results import Interval

NOTABLE_RATE = 0.001
"""A clock that gains or loses more than 0.1 % makes "per second" of that machine another unit than everybody's."""

MOST_RATE = 0.1
"""A clock whose offset changes by more than a tenth of the time was set, or stood still: that is no rate to correct by.
Linux lets a clock's tick be changed by at most a tenth (manual page adjtimex(2), ADJ_TICK)."""


@dataclass(frozen=True)
class ClockRate:
    """How much faster another clock runs than the controller's.

    Attributes:
        rate: seconds gained per second; negative for a slow clock.
        uncertainty: half-width of what is known about it; a bound, since those of the offsets are.
    """

    rate: float
    uncertainty: float

    @property
    def factor(self) -> float:
        """Seconds of the other clock in one of the controller's: what a rate by that clock is multiplied with."""
        return 1 + self.rate

    @property
    def relative_uncertainty(self) -> float:
        """Half-width of what is known about ``factor``, as a share of it."""
        return self.uncertainty / self.factor


def clock_rate(before: Offset, after: Offset) -> ClockRate | None:
    """Compare a clock's offsets at two times; ``None`` when no time lies between them."""
    elapsed = after.at_s - before.at_s
    if elapsed <= 0:
        return None
    return ClockRate(
        (after.offset_s - before.offset_s) / elapsed, (before.uncertainty_s + after.uncertainty_s) / elapsed
    )


def believed_rate(before: Offset | None, after: Offset | None) -> ClockRate | None:
    """The rate to correct by; ``None`` where an offset is missing or the clock was set in between."""
    rate = clock_rate(before, after) if before is not None and after is not None else None
    return rate if rate is not None and abs(rate.rate) <= MOST_RATE else None


def with_clock_uncertainty(interval: Interval, clock: ClockRate | None) -> Interval:
    """An interval of a throughput that a clock's rate went into, widened by what is not known about that rate.

    Both contributions are independent, so their half-widths add as squares (JCGM 100:2008, 5.1.2: a product's relative
    uncertainties). The bound of the clock's rate stands in for its expanded uncertainty, which errs on the wide side.

    Args:
        interval: of operations per second of the controller.
        clock: whose rate went into it; ``None`` where only the controller's own clock did.
    """
    if clock is None or interval.low is None or interval.high is None:
        return interval
    more = clock.relative_uncertainty * abs(interval.mean)
    low, high = (math.hypot(abs(bound - interval.mean), more) for bound in (interval.low, interval.high))
    return interval.model_copy(update={"low": interval.mean - low, "high": interval.mean + high})


def controller_time(source_s: float, before: Offset, rate: ClockRate | None) -> float:
    """The controller's time of an instant that another machine's clock called ``source_s``.

    Args:
        source_s: the instant by that clock.
        before: an offset of that clock.
        rate: of that clock, from then on; ``None`` where it is not known, so that the offset alone is used.
    """
    base = source_s - before.offset_s
    if rate is None:
        return base
    # source = t + offset + rate (t - at)  solved for t
    return before.at_s + (base - before.at_s) / (1 + rate.rate)
