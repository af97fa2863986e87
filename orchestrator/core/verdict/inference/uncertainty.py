"""Estimates on the log scale, with Student's t.

A trial counts as one observation, whatever its length: its seconds are correlated with each other, and repeating a
trial scatters more than its own seconds show. Throughput is positive and its scatter proportional to its size, so
everything is computed on logarithms; a mean of logs is the log of a geometric mean, a difference of logs that of a
ratio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import stdtrit

#: Beyond e**700 a float overflows; an interval as wide as that says nothing either way.
_LARGEST_LOG = 700.0


@dataclass(frozen=True)
class Scatter:
    """How much one more block is worth.

    Attributes:
        sd: standard deviation of the log ratio within one block (or of one independent reading of each cell).
        df_per_block: degrees of freedom that each block after the first adds.
    """

    sd: float
    df_per_block: float


@dataclass(frozen=True)
class LogEstimate:
    """A mean of logs, or a difference of two.

    Attributes:
        value: the estimate, a natural logarithm.
        readings: blocks (paired) or readings of the smaller cell (independent) that it rests on.
        error: standard error; ``None`` where there are too few readings to know one.
        df: degrees of freedom of ``error``.
        scatter: see :class:`Scatter`; ``None`` with ``error``.
    """

    value: float
    readings: int
    error: float | None = None
    df: float = 0.0
    scatter: Scatter | None = None

    def interval(self, confidence: float) -> tuple[float, float] | None:
        """Two-sided confidence interval of ``value``; ``None`` where no error is known."""
        if self.error is None:
            return None
        half = student(confidence, self.df) * self.error
        return self.value - half, self.value + half

    def turned(self) -> LogEstimate:
        """The same with base and new exchanged."""
        return LogEstimate(-self.value, self.readings, self.error, self.df, self.scatter)


def student(confidence: float, df: float) -> float:
    """Two-sided quantile of Student's t: T lies within plus and minus it with this confidence."""
    return float(stdtrit(df, 0.5 + confidence / 2))


def exp(log: float) -> float:
    """Exponential of a logarithm, held within what a float can express."""
    return math.exp(max(-_LARGEST_LOG, min(_LARGEST_LOG, log)))


def mean_of(logs: Sequence[float]) -> LogEstimate:
    """Mean of independent observations with its standard error s / sqrt(n), s with n - 1."""
    n = len(logs)
    mean = math.fsum(logs) / n
    if n == 1:
        return LogEstimate(mean, 1)
    sd = math.sqrt(_variance(logs))
    return LogEstimate(mean, n, sd / math.sqrt(n), n - 1, Scatter(sd, 1.0))


def paired(base: Mapping[int, float], new: Mapping[int, float]) -> LogEstimate:
    """Mean difference ``new - base`` over the blocks that hold both: what the blocks share cancels.

    This is the paired t-test (Student 1908), exact at its level for normal logs whatever the block effects and however
    unequal the two scatters (5.0 %; heavy tails 4.3 %; tests/benchmarks/statistics/between_trials.py blocks). Blocks
    taken as random (restricted maximum likelihood, which pools as soon as their variance comes out as 0) gain power
    only where blocks hardly differ, and err in up to 7.2 % there, in 7.8 % where the cells scatter unequally; so what
    the blocks share is never used to judge a difference.

    With no common block it is the difference of the two means, without an error.

    Args:
        base: block to log of throughput.
        new: the same of the other cell.
    """
    shared = sorted(base.keys() & new.keys())
    if not shared:
        return LogEstimate(mean_of(list(new.values())).value - mean_of(list(base.values())).value, 0)
    return mean_of([new[block] - base[block] for block in shared])


def independent(base: Sequence[float], new: Sequence[float]) -> LogEstimate:
    """Difference of two means whose variances need not be equal (Welch 1947, with Satterthwaite's degrees of freedom).

    For the blocks to come both cells are taken to gain one reading each.
    """
    one, two = mean_of(base), mean_of(new)
    value, readings = two.value - one.value, min(len(base), len(new))
    if readings < 2:
        return LogEstimate(value, readings)
    v1, v2 = _variance(base), _variance(new)
    e1, e2 = v1 / len(base), v2 / len(new)
    if e1 + e2 == 0:
        return LogEstimate(value, readings, 0.0, readings - 1, Scatter(0.0, 1.0))
    # Divided through by the sum first: squares of tiny variances would vanish.
    p1, p2 = e1 / (e1 + e2), e2 / (e1 + e2)
    df = 1 / (p1**2 / (len(base) - 1) + p2**2 / (len(new) - 1))
    w1, w2 = v1 / (v1 + v2), v2 / (v1 + v2)
    return LogEstimate(value, readings, math.sqrt(e1 + e2), df, Scatter(math.sqrt(v1 + v2), 1 / (w1**2 + w2**2)))


def _variance(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)
