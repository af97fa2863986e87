"""Whether a series has reached a steady state, and since when; else why not.

In two steps: the warm-up is cut off by MSER (:mod:`~orchestrator.core.measure.truncation`) with a safety margin, and
what is kept must show no drift, no step and no swing (:mod:`~orchestrator.core.measure.swing`). A change counts only
when it is significant *and* larger than two percent: with enough seconds every machine differs significantly from
itself.

Significance allows for correlated seconds: a drift's standard error and a step's bridge are scaled by the long-run
variance of the residuals (:mod:`~orchestrator.core.measure.long_run`). The step test is the cumulative sum of Ploberger
& Krämer 1992, whose limit is the largest excursion of a Brownian bridge (Kolmogorov's distribution).

Short and degenerate series are decided in the table of :mod:`~orchestrator.core.measure.mean`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri, kolmogi, stdtrit

from orchestrator.core.measure.long_run import MeanVariance, Values, cautious_variance
from orchestrator.core.measure.mean import finite_values
from orchestrator.core.measure.swing import swing
from orchestrator.core.measure.truncation import GUARDED_TAIL, marginal_standard_error
from orchestrator.units import format_percent

FEWEST = 10
"""Readings below which nothing is said: MSER guards the last five, and as many must be left to cut."""
FEWEST_BATCHES = 10
"""MSER-5 is used from so many batches of five on; shorter series are searched value by value."""
SMALLEST_CHANGE = 0.02
"""A drift or a step smaller than this share of the level is no reason to refuse, however significant."""
SIGNIFICANCE = 0.01
SAFETY = 1.25
"""The cut is lengthened by a quarter: MSER stops where the bias is as small as the noise, not where it is gone."""
WINSOR = 5.0
"""In the search for the cut, values farther from the median than so many deviations count as that far: dips are a
workload's real cost and stay in the mean, but they must not decide where the warm-up ends."""

Kind: TypeAlias = Literal["too short", "drift", "step", "swing"]


@dataclass(frozen=True)
class Steady:
    """The series is steady.

    Attributes:
        start_index: from here on, counted in the series as given.
        firm: whether the cut with its whole safety margin lies in the first half; otherwise more of the series is
            wanted before anybody stops early on the strength of it.
    """

    start_index: int
    firm: bool


@dataclass(frozen=True)
class NotSteady:
    """The series has no steady state that could be measured.

    Attributes:
        kind: in one word.
        reason: what a sentence can hold after "the throughput": ``drifts: +18 % from the first third to the last``.
        start_index: where it would start if only more of it had been seen; ``None`` when it would not.
    """

    kind: Kind
    reason: str
    start_index: int | None = None


def steady_state(values: Sequence[float] | NDArray[np.float64]) -> Steady | NotSteady:
    """Judge a series of throughput readings at even distances.

    Args:
        values: readings since launch, in order of time; those that are no number are left out.

    Returns:
        Where the steady state starts, always in the first half; or why there is none.
    """
    series, positions = finite_values(values)
    n = len(series)
    if n < FEWEST:
        numbers = "no reading that is a number" if n == 0 else f"only {n} reading{'' if n == 1 else 's'}"
        return NotSteady("too short", f"has {numbers}; it takes {FEWEST} to tell")
    if np.ptp(series) == 0:
        return Steady(int(positions[0]), firm=True)
    whole = _Stretch(series, _winsorised(series), positions)
    cut = _cut(whole.calm)
    if cut > n // 2:
        return _late(whole, cut)
    start = min(math.ceil(SAFETY * cut), n // 2)
    return _unsteady(whole.after(start)) or Steady(int(positions[start]), firm=start >= SAFETY * cut)


@dataclass(frozen=True)
class _Stretch:
    """Consecutive readings: as read, as searched (winsorised), and their positions in the series as given."""

    read: Values
    calm: Values
    positions: NDArray[np.intp]

    def after(self, index: int) -> _Stretch:
        return _Stretch(self.read[index:], self.calm[index:], self.positions[index:])


def _late(whole: _Stretch, cut: int) -> NotSteady:
    """What is said of a series that may have settled in its second half, but not for long enough to be sure."""
    n = len(whole.calm)
    change = _unsteady(whole.after(n // 3))
    if change is not None and (change.kind != "swing" or _returns(whole.calm[n // 3 :])):
        return change
    if n - cut >= FEWEST and _unsteady(whole.after(cut)) is None:
        reason = f"seems to settle only after {cut} of {n} readings; it takes as many again to be sure"
        return NotSteady("too short", reason, int(whole.positions[cut]))
    return change or NotSteady("too short", f"was still changing when the series ended after {n} readings")


def _returns(series: Values) -> bool:
    found = swing(series)
    return found is not None and found.returns


def _winsorised(series: Values) -> Values:
    centre = float(np.median(series))
    distances = np.abs(series - centre)
    # Of a coarsely rounded series more than half may equal the median; then the others say what is usual.
    deviation = 1.4826 * float(np.median(distances) or np.median(distances[distances > 0]))
    return np.clip(series, centre - WINSOR * deviation, centre + WINSOR * deviation)


def _level(series: Values) -> float:
    """What a change is compared with: the mean, or the spread where the mean is smaller (a series around zero)."""
    return max(abs(float(series.mean())), float(series.std()))


def _cut(series: Values) -> int:
    """First index kept; beyond the middle when the series has not settled in its first half."""
    n = len(series)
    batch = 5 if n >= 5 * FEWEST_BATCHES else 1
    curve = marginal_standard_error(series, batch)
    searched = curve[: len(curve) - GUARDED_TAIL]
    half = len(curve) // 2
    best, early = int(np.argmin(searched)), int(np.argmin(searched[: half + 1]))
    if best > half and _calmer(curve, best, early) and _levels_differ(series, early * batch, best * batch):
        return max(best * batch, n // 2 + 1)
    return early * batch


def _calmer(curve: Values, late: int, early: int) -> bool:
    """Whether the series behind a late cut really scatters less than behind an early one (variance ratio, Fisher's F).

    Without the test one steady series of two minutes in six would be refused: few values are left behind a late cut,
    and their g is small by chance.
    """
    left = len(curve) - np.array([late, early])
    variances = curve[[late, early]] * left**2 / (left - 1)
    return bool(variances[0] < float(fdtri(left[0] - 1, left[1] - 1, SIGNIFICANCE)) * variances[1])


def _levels_differ(series: Values, early: int, late: int) -> bool:
    """Whether behind the late cut there is another level, not only a calmer stretch (between two checkpoints, say)."""
    before, behind = series[early:late], series[late:]
    return abs(float(behind.mean() - before.mean())) > SMALLEST_CHANGE * _level(behind)


def _spread(values: Values) -> MeanVariance:
    if np.ptp(values) == 0:
        return MeanVariance(0.0, len(values) - 1)
    return cautious_variance(values, 1 - SIGNIFICANCE)


def _unsteady(stretch: _Stretch) -> NotSteady | None:
    """A drift or a step in the series, whichever explains more of it, or else a swing; ``None`` when it is level."""
    found = [change for change in (_drift(stretch), _step(stretch)) if change is not None]
    return min(found, key=lambda change: change[0])[1] if found else _swing(stretch)


def _drift(stretch: _Stretch) -> tuple[float, NotSteady] | None:
    """A significant slope that matters, and the sum of squares that it leaves."""
    series, n = stretch.calm, len(stretch.calm)
    time = np.arange(n) - (n - 1) / 2
    slope = float(time @ series) / float(time @ time)
    residuals = series - series.mean() - slope * time
    change = slope * n / _level(series)
    if abs(change) <= SMALLEST_CHANGE:
        return None
    spread = _spread(residuals)
    error = math.sqrt(spread.variance * n / float(time @ time))
    if abs(slope) <= float(stdtrit(spread.freedom, 1 - SIGNIFICANCE / 2)) * error:
        return None
    third = max(n // 3, 1)
    shown = _change(stretch.read[:third], stretch.read[-third:])
    reason = f"drifts: {shown} from the first third to the last of what should be steady"
    return float(residuals @ residuals), NotSteady("drift", reason)


def _step(stretch: _Stretch) -> tuple[float, NotSteady] | None:
    """A significant step that matters, and the sum of squares that it leaves."""
    series, n = stretch.calm, len(stretch.calm)
    bridge = np.cumsum(series - series.mean())[:-1]
    sizes = np.arange(1, n)
    gain = bridge**2 * n / (sizes * (n - sizes))
    margin = max(n // 20, 2)
    split = int(np.argmax(gain[margin : n - margin])) + margin + 1
    before, after = float(series[:split].mean()), float(series[split:].mean())
    if abs(after - before) <= SMALLEST_CHANGE * _level(series):
        return None
    residuals = series - np.where(np.arange(n) < split, before, after)
    spread = _spread(residuals)
    excursion = float(np.abs(bridge).max())
    # Kolmogorov's limit knows the variance; Student's quantile over the normal one makes up for its being estimated.
    penalty = float(stdtrit(spread.freedom, 1 - SIGNIFICANCE / 2)) / float(stdtrit(math.inf, 1 - SIGNIFICANCE / 2))
    if excursion <= float(kolmogi(SIGNIFICANCE)) * penalty * n * math.sqrt(spread.variance):
        return None
    position = int(stretch.positions[split])
    shown = _change(stretch.read[:split], stretch.read[split:])
    reason = f"steps by {shown} after {position} of {stretch.positions[-1] + 1} readings, when it should be steady"
    return float(residuals @ residuals), NotSteady("step", reason, position)


def _swing(stretch: _Stretch) -> NotSteady | None:
    """A significant swing whose amplitude matters, as that of a sine wave with its deviation."""
    found = swing(stretch.calm)
    if found is None or math.sqrt(2) * found.deviation <= SMALLEST_CHANGE * _level(stretch.calm):
        return None
    levels = f"the levels of {len(found.levels)} stretches of {found.readings} readings lie between"
    between = f"{levels} {min(found.levels):.4g} and {max(found.levels):.4g}"
    return NotSteady("swing", f"swings: {between}, too far apart to be noise and too slow to average out")


def _change(before: Values, after: Values) -> str:
    """The relative change of the mean, in words; as read, since winsorising would make it look smaller."""
    base = float(before.mean())
    change = float(after.mean()) - base
    if base == 0:
        return f"{change:+.3g}"
    share = change / abs(base)
    return ("+" if share > 0 else "-") + format_percent(abs(share), 1)
