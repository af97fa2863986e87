"""A ratio of two means with its interval, and equivalence as p-values.

The comparison itself works on logarithms. Fieller's interval is the same question on the plain scale, without assuming
that scatter is proportional to size; the two agree where scatter is small.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy.special import stdtr

from orchestrator.core.verdict.inference.uncertainty import LogEstimate


@dataclass(frozen=True)
class FiellerInterval:
    """All ratios that the two means allow.

    Attributes:
        ratio: of the means.
        low, high: ends of the interval; with ``outside`` the allowed ratios are those up to ``low`` and from ``high``;
            infinite where it has no end.
        kind: ``bounded``; ``outside``: the base may be zero, so the allowed ratios reach through infinity;
            ``unbounded``: every ratio is allowed.
    """

    ratio: float
    low: float
    high: float
    kind: Literal["bounded", "outside", "unbounded"]


def fieller(base: float, base_half: float, new: float, new_half: float, shared: float = 0.0) -> FiellerInterval:
    """Interval of ``new / base`` (Fieller 1954, JRSS B 16, 175; for independent means as in Kalibera & Jones 2013).

    Args:
        base: mean below the line, not 0.
        base_half: half-width of its confidence interval, the quantile times the standard error.
        new: mean above the line.
        new_half: half-width of its interval, by the same quantile.
        shared: the square of that quantile times the covariance of the two means; 0 where they are independent.

    Raises:
        ValueError: when the base is 0, so that there is no ratio.
    """
    if base == 0:
        raise ValueError("a ratio to a mean of 0 is none; choose another base")
    # The ratios r with (new - r base)^2 <= quantile^2 var(new - r base): a quadratic in r.
    square, middle, constant = base**2 - base_half**2, base * new - shared, new**2 - new_half**2
    root = middle**2 - square * constant
    if square > 0:
        wide = math.sqrt(max(0.0, root))
        return FiellerInterval(new / base, (middle - wide) / square, (middle + wide) / square, "bounded")
    if square == 0 or root <= 0:
        return FiellerInterval(new / base, -math.inf, math.inf, "unbounded")
    ends = sorted(((middle - math.sqrt(root)) / square, (middle + math.sqrt(root)) / square))
    return FiellerInterval(new / base, ends[0], ends[1], "outside")


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests.

    Attributes:
        p_low: of the hypothesis that the true log ratio is at or below ``-bound``.
        p_high: that it is at or above ``bound``.
    """

    p_low: float
    p_high: float

    @property
    def p(self) -> float:
        """The larger: equivalence is shown at a level when this lies below it."""
        return max(self.p_low, self.p_high)


def two_one_sided(estimate: LogEstimate, bound: float) -> Equivalence | None:
    """Equivalence within ``-bound`` to ``bound`` (Schuirmann 1987, J. Pharmacokin. Biopharm. 15, 657).

    ``p`` is below 2.5 % exactly where the two-sided 95 % interval lies within the bounds.

    Returns:
        ``None`` where no error is known.
    """
    if estimate.error is None:
        return None
    return Equivalence(
        _upper_tail(estimate.value + bound, estimate.error, estimate.df),
        _upper_tail(bound - estimate.value, estimate.error, estimate.df),
    )


def _upper_tail(distance: float, error: float, df: float) -> float:
    """Chance of Student's t above distance over error; without any scatter the distance alone tells."""
    if error == 0:
        return 0.0 if distance > 0 else 1.0
    return float(stdtr(df, -distance / error))
