"""What keeps a series from being steady: a drift, a step, a swing, two levels in turns, a variance that grows.

A change counts only when it is significant *and* larger than two percent: with enough seconds every machine differs
significantly from itself. Significance allows for correlated seconds: a drift's standard error and a step's bridge are
scaled by the long-run variance of the residuals (:mod:`~orchestrator.core.measure.long_run`). The step test is the
cumulative sum of Ploberger & Krämer 1992, whose limit is the largest excursion of a Brownian bridge (Kolmogorov's
distribution).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import kolmogi, stdtrit

from orchestrator.core.measure.long_run import MeanVariance, cautious_variance
from orchestrator.core.measure.readings import Values
from orchestrator.core.measure.steady.regimes import regimes
from orchestrator.core.measure.steady.split import split_gains
from orchestrator.core.measure.steady.swing import swing
from orchestrator.core.measure.steady.transient import WarmUp
from orchestrator.core.measure.steady.variance_growth import variance_growth
from orchestrator.units import format_percent

SMALLEST_CHANGE = 0.02
"""A drift or a step smaller than this share of the level is no reason to refuse, however significant."""
SIGNIFICANCE = 0.002
"""Of each test. Shapes that never end are weighed before; this only has to find what comes after a warm-up, and a false
alarm costs a whole trial. At one percent every twelfth look at a short, noisy, steady series was one, now every
fifteenth."""

NEAR_AN_END = 1 / 20
"""Steps so near to either end of the stretch, as a share of it, are not searched: one wild reading would be one."""

Kind: TypeAlias = Literal[
    "too short", "drift", "step", "bistable", "swing", "growing variance", "unfinished warm-up"
]  # fmt: skip


@dataclass(frozen=True)
class NotSteady:
    """The series has no steady state that could be measured.

    Attributes:
        kind: in one word.
        reason: what a sentence can hold after "the throughput": ``drifts: +18 % from the first third to the last``.
        start_index: where it would start if only more of it had been seen; ``None`` when it would not.
        ended: all that is known of the end of the warm-up; ``None`` where nothing is.
    """

    kind: Kind
    reason: str
    start_index: int | None = None
    ended: WarmUp | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Stretch:
    """Consecutive readings, in a unit near their size (:func:`~orchestrator.core.measure.readings.binary_unit`).

    Attributes:
        read: as they are.
        calm: as they are searched (:func:`~orchestrator.core.measure.steady.calm.calm`).
        level: the same without the fitted warm-up.
        positions: in the series as given.
        unit: in which they are counted here; for messages, which speak of the series as given.
    """

    read: Values
    calm: Values
    level: Values
    positions: NDArray[np.intp]
    unit: float = 1.0

    def after(self, index: int) -> Stretch:
        """Without the first so many readings."""
        return Stretch(self.read[index:], self.calm[index:], self.level[index:], self.positions[index:], self.unit)


def drift_or_step(stretch: Stretch) -> NotSteady | None:
    """A drift or a step, whichever explains more of the stretch; ``None`` when there is neither."""
    found = [change for change in (_drift(stretch), _step(stretch)) if change is not None]
    return min(found, key=lambda change: change[0])[1] if found else None


def wandering(stretch: Stretch) -> NotSteady | None:
    """A significant swing whose amplitude matters, as that of a sine wave with its deviation."""
    found = swing(stretch.level)
    if found is None or math.sqrt(2) * found.deviation <= SMALLEST_CHANGE * _level(stretch.level):
        return None
    low, high = _shown(min(found.levels), stretch.unit), _shown(max(found.levels), stretch.unit)
    levels = f"the levels of {len(found.levels)} stretches of {found.readings} readings lie between {low} and {high}"
    return NotSteady("swing", f"swings: {levels}, too far apart to be noise and too slow to average out")


def in_turns(
    stretch: Stretch, *, known: bool, switches: int = 2, beyond: int = 0, held: bool = False
) -> NotSteady | None:
    """Two levels in turns.

    Args:
        stretch: what is judged.
        known: whether it is known not to be level, so that this is only a question of its name; else the levels must
            lie apart so clearly that they prove it.
        switches: fewer changes from one to the other are none.
        beyond: nor are those that all come before this reading of the stretch.
        held: nor levels that are not held for long (:attr:`~orchestrator.core.measure.steady.regimes.Regimes.held`).
    """
    found = regimes(stretch.level)
    if found is None or found.switches < switches or found.last < beyond or (held and not found.held):
        return None
    if found.high - found.low <= SMALLEST_CHANGE * _level(stretch.level):
        return None
    if not found.certain and not (known and found.explains(stretch.level)):
        return None
    levels = f"about {_shown(found.low, stretch.unit)} and about {_shown(found.high, stretch.unit)}"
    return NotSteady("bistable", f"runs at two levels in turns: {levels}, with {found.switches} changes between them")


def growing(stretch: Stretch) -> NotSteady | None:
    """A variance that grows."""
    growth = variance_growth(stretch.read - stretch.calm + stretch.level, stretch.level)
    if growth is None:
        return None
    times = f"{growth:.2g} times" if math.isfinite(growth) else "many times"
    reason = f"grows wilder: readings of the last third scatter {times} as far as those of the first"
    return NotSteady("growing variance", reason)


def stepped(stretch: Stretch, split: int) -> NotSteady:
    """A step before the reading of this index."""
    position = int(stretch.positions[split])
    shown = _change(stretch.read[:split], stretch.read[split:], stretch.unit)
    reason = f"steps by {shown} after {position} of {stretch.positions[-1] + 1} readings, when it should be steady"
    return NotSteady("step", reason, position)


def drifting(stretch: Stretch) -> NotSteady:
    """A drift all along."""
    reason = f"drifts: {thirds(stretch)} of what should be steady"
    return NotSteady("drift", reason)


def change_over_thirds(stretch: Stretch) -> float:
    """The change of the mean from the first third of a stretch to its last, as a share of the first."""
    third = max(len(stretch.read) // 3, 1)
    base = float(stretch.read[:third].mean())
    return (float(stretch.read[-third:].mean()) - base) / abs(base) if base else math.inf


def thirds(stretch: Stretch) -> str:
    """The change from the first third of a stretch to its last, in words."""
    third = max(len(stretch.read) // 3, 1)
    return f"{_change(stretch.read[:third], stretch.read[-third:], stretch.unit)} from the first third to the last"


def _level(series: Values) -> float:
    """What a change is compared with: the mean, or the spread where the mean is smaller (a series around zero)."""
    return max(abs(float(series.mean())), float(series.std()))


def _spread(residuals: Values, fitted: int) -> MeanVariance:
    """Variance of the mean of residuals, which lost a degree of freedom to each of the figures fitted."""
    n = len(residuals)
    if np.ptp(residuals) == 0:
        return MeanVariance(0.0, n - 1)
    found, left = cautious_variance(residuals, 1 - SIGNIFICANCE), max(n - fitted, 1)
    return MeanVariance(found.variance * (n - 1) / left, min(found.freedom, left))


def _drift(stretch: Stretch) -> tuple[float, NotSteady] | None:
    """A significant slope that matters, and the sum of squares that it leaves."""
    series, n = stretch.calm, len(stretch.calm)
    time = np.arange(n) - (n - 1) / 2
    slope = float(time @ series) / float(time @ time)
    residuals = series - series.mean() - slope * time
    if abs(slope * n) <= SMALLEST_CHANGE * _level(series):
        return None
    spread = _spread(residuals, fitted=2)
    error = math.sqrt(spread.variance * n / float(time @ time))
    if abs(slope) <= float(stdtrit(spread.freedom, 1 - SIGNIFICANCE / 2)) * error:
        return None
    return float(residuals @ residuals), drifting(stretch)


def _step(stretch: Stretch) -> tuple[float, NotSteady] | None:
    """A significant step that matters, and the sum of squares that it leaves."""
    series, n = stretch.calm, len(stretch.calm)
    gain = split_gains(series)
    margin = max(int(NEAR_AN_END * n), 2)
    split = int(np.argmax(gain[margin : n - margin])) + margin + 1
    before, after = float(series[:split].mean()), float(series[split:].mean())
    if abs(after - before) <= SMALLEST_CHANGE * _level(series):
        return None
    residuals = series - np.where(np.arange(n) < split, before, after)
    spread = _spread(residuals, fitted=3)
    excursion = float(np.abs(np.cumsum(series - series.mean())).max())
    # Kolmogorov's limit knows the variance; Student's quantile over the normal one makes up for its being estimated.
    penalty = float(stdtrit(spread.freedom, 1 - SIGNIFICANCE / 2)) / float(stdtrit(math.inf, 1 - SIGNIFICANCE / 2))
    if excursion <= float(kolmogi(SIGNIFICANCE)) * penalty * n * math.sqrt(spread.variance):
        return None
    return float(residuals @ residuals), stepped(stretch, split)


def _shown(level: float, unit: float) -> str:
    """A level in the series' own unit, to four digits."""
    return f"{float(f'{level * unit:.4g}'):.15g}"


def _change(before: Values, after: Values, unit: float) -> str:
    """The relative change of the mean, in words; as read, since a calmed series would make it look smaller."""
    base = float(before.mean())
    change = float(after.mean()) - base
    if base == 0:
        return f"{change * unit:+.3g}"
    share = change / abs(base)
    return ("+" if share > 0 else "-") + format_percent(abs(share), 1)
