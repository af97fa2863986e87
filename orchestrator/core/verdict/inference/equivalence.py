"""Equivalence of two means as p-values."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import stdtr

from orchestrator.core.verdict.inference.uncertainty import LogEstimate


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
