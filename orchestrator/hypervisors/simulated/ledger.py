"""Quantities that grow at a constant rate between changes: CPU time, waiting, load."""

from __future__ import annotations

import math
from collections.abc import Sequence

from orchestrator.units import Seconds


class Ledger:
    """Cumulative quantities, exact at any time at or after the last change.

    Args:
        at_s: when the account begins, with every quantity 0.
        rates: growth per second of each quantity.
    """

    def __init__(self, at_s: Seconds, rates: Sequence[float]) -> None:
        self._since_s = at_s
        self._base = [0.0] * len(rates)
        self._rates = list(rates)

    def change(self, at_s: Seconds, rates: Sequence[float]) -> None:
        """Go on at other rates from ``at_s`` on."""
        self._base = self.at(at_s)
        self._since_s, self._rates = at_s, list(rates)

    def at(self, at_s: Seconds) -> list[float]:
        """The quantities at ``at_s``."""
        elapsed_s = at_s - self._since_s
        return [base + rate * elapsed_s for base, rate in zip(self._base, self._rates, strict=True)]


class LoadAverage:
    """The one-minute load average: runnable tasks, smoothed exponentially with a time constant of one minute."""

    def __init__(self, at_s: Seconds, runnable: float) -> None:
        self._since_s, self._base, self.runnable = at_s, runnable, runnable

    def change(self, at_s: Seconds, runnable: float) -> None:
        """From ``at_s`` on, so many tasks are runnable."""
        self._base, self._since_s, self.runnable = self.at(at_s), at_s, runnable

    def at(self, at_s: Seconds) -> float:
        """The average at ``at_s``."""
        return self.runnable + (self._base - self.runnable) * math.exp(-(at_s - self._since_s) / 60.0)
