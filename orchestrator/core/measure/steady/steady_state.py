"""Whether a series has reached a steady state, and since when; else why not.

In three steps. Impossible readings are left out (:mod:`~orchestrator.core.measure.cleaning`), and for the search so are
short dips and wild seconds (:mod:`~orchestrator.core.measure.steady.calm`). All shapes that a warm-up may have are
weighed, which gives where it ends as a distribution (:mod:`~orchestrator.core.measure.steady.transient`); the cut lies
behind most of it, with a safety margin. Where the rule of the smallest marginal standard error has reason to cut later
(:mod:`~orchestrator.core.measure.steady.truncation`), it is followed. And what is kept must be level
(:mod:`~orchestrator.core.measure.steady.changes`).

Short and degenerate series are decided in the table of :mod:`~orchestrator.core.measure.mean`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure.cleaning import clean
from orchestrator.core.measure.readings import Values, binary_unit, finite_values
from orchestrator.core.measure.steady.calm import calm
from orchestrator.core.measure.steady.changes import (
    SMALLEST_CHANGE,
    Kind,
    NotSteady,
    Stretch,
    change_over_thirds,
    drift_or_step,
    drifting,
    growing,
    in_turns,
    stepped,
    thirds,
    wandering,
)
from orchestrator.core.measure.steady.periodic import Period, find_period
from orchestrator.core.measure.steady.transient import WarmUp, warm_up
from orchestrator.core.measure.steady.truncation import mser

__all__ = ["FEWEST", "SMALLEST_CHANGE", "Kind", "NotSteady", "Steady", "steady_state"]

FEWEST = 10
"""Readings below which nothing is said: half of them would be cut, and fewer than five have no interval."""
CONFIDENT = 0.8
"""The cut lies where the warm-up has ended with this probability. A higher one wastes a minute more in one series of
ten and is as often too early, since what is left are shapes that nobody foresaw."""
SAFETY, MARGIN, SHARE_OF_MARGIN = 1.08, 5, 40
"""And it is later by a twelfth and by five readings (the length of a point when half an hour is averaged), or a
fortieth of a short series."""
SECOND_OPINION = 0.007
"""Where the rule of the smallest marginal standard error cuts later, it is followed if what it cuts off differs by more
than this share from what it keeps: the rule knows no shapes, so it notices those that are not on the list. By half of
that, one series in ten would lose half a minute more; by a third more, the rule would hardly be heard."""
HOPELESS, HOPELESS_SHORT, SHORT = 0.25, 0.5, 240
"""A series is refused when its warm-up has ended in the first half with less than this probability; up to ``SHORT``
readings with less than the second. There a long warm-up is usual, and a longer look costs little."""
HOPELESS_FEW, FEW = 0.1, 30
"""Up to ``FEW`` readings with less than this: the noise of a dozen seconds often looks like a warm-up (of steady series
of 15 readings one in nine was refused by the probability above, one in eighteen by this), and a warm-up that lasts as
long as they do is still found in 96 of 100."""
BATCH = 5
"""Of MSER-5 (White, Cobb & Spratt 2000)."""
EARLIEST, LATEST = 0.05, 0.95
"""Probabilities between which the end of the warm-up is reported: an interval of 90 %."""
COARSE, COARSE_READINGS = 0.06, 3
"""Where the warm-up ends is known no better than the grid of shapes tells: with this share and so many readings added
at both sides, the interval held the true end in 92 of 100 simulated series (67 without)."""
NEARLY = 0.9
"""A warm-up that ends after this share of the series has not been seen to end."""
RETURNS = 3
"""Changes between two levels that no warm-up explains: with a late step it makes two."""
STRAIGHT, LARGEST_DRIFT = 0.005, 0.15
"""What never ends is a drift when a straight line is not out of the question and the last third differs from the first
by no more than this; beyond, it is an unfinished warm-up (common practice, no published source)."""


@dataclass(frozen=True)
class Steady:
    """The series is steady.

    Attributes:
        start_index: from here on, counted in the series as given.
        firm: whether the cut with its whole safety margin lies in the first half; otherwise more of the series is
            wanted before anybody stops early on the strength of it.
        earliest, latest: where the warm-up ends, as an interval of 90 % probability; counted as ``start_index`` is.
        period: of slowdowns that come back at even distances, which are part of the steady state; ``None`` where none
            were found.
        ended: all that is known of the end of the warm-up; ``None`` where all readings are equal.
    """

    start_index: int
    firm: bool
    earliest: int = 0
    latest: int = 0
    period: Period | None = None
    ended: WarmUp | None = field(default=None, compare=False, repr=False)


def steady_state(values: Sequence[float] | NDArray[np.float64]) -> Steady | NotSteady:
    """Judge a series of throughput readings at even distances.

    Args:
        values: readings since launch, in order of time; those that are no number, and those that are impossible
            (:func:`~orchestrator.core.measure.cleaning.clean`), are left out.

    Returns:
        Where the steady state starts, always in the first half; or why there is none.
    """
    cleaned = clean(values).values
    series, positions = finite_values(cleaned)
    n = len(series)
    if n < FEWEST:
        numbers = "no reading that is a number" if n == 0 else f"only {n} reading{'' if n == 1 else 's'}"
        return NotSteady("too short", f"has {numbers}; it takes {FEWEST} to tell")
    if np.ptp(series) == 0:
        first = int(positions[0])
        return Steady(first, firm=True, earliest=first, latest=first)
    unit = binary_unit(series)
    series = series / unit
    calmed = calm(series)
    ended = warm_up(calmed)
    whole = Stretch(series, calmed, calmed - ended.path, positions, unit)
    as_read = replace(whole, level=calmed)
    if ended.ended_by(n // 2) < _hopeless(n):
        return replace(_never(as_read, ended), ended=ended)
    margin = round(min(MARGIN, n / SHARE_OF_MARGIN))
    wanted = math.ceil(SAFETY * ended.end(CONFIDENT)) + margin
    half = _half(values, positions)
    start = min(max(wanted, _second_opinion(calmed, wanted)), half)
    change = _change(whole, start, ended.end(EARLIEST)) or in_turns(as_read, known=False, switches=RETURNS, held=True)
    if change is not None and change.kind == "step" and change.start_index is not None:
        # A second stage of the warm-up that no shape foresaw.
        second = int(np.searchsorted(positions, change.start_index)) + margin
        if second <= half and _change(as_read, second, second) is None:
            wanted = start = second
            change = None
    if change is not None:
        return replace(change, ended=ended)
    period = find_period(cleaned[int(positions[start]) :])
    earliest, latest = (int(positions[place]) for place in _interval(ended))
    return Steady(int(positions[start]), wanted <= half, earliest, latest, period, ended)


def _hopeless(readings: int) -> float:
    return HOPELESS if readings > SHORT else HOPELESS_SHORT if readings > FEW else HOPELESS_FEW


def _half(values: Sequence[float] | NDArray[np.float64], positions: NDArray[np.intp]) -> int:
    """The latest reading to start from: at most half of all that are numbers, impossible ones too, lie before it."""
    numbers = np.flatnonzero(np.isfinite(np.asarray(values, dtype=np.float64)))
    return min(int(np.searchsorted(positions, numbers[len(numbers) // 2], side="right")) - 1, len(positions) // 2)


def _interval(ended: WarmUp) -> tuple[int, int]:
    """Where the warm-up ends, as an interval of 90 %."""
    earliest, latest = ended.end(EARLIEST), ended.end(LATEST)
    if latest > 0:
        latest = math.ceil(latest * (1 + COARSE)) + COARSE_READINGS
    return max(math.floor(earliest * (1 - COARSE)) - COARSE_READINGS, 0), min(latest, ended.readings - 1)


def _second_opinion(series: Values, start: int) -> int:
    """Where MSER-5 cuts, if it does so in the first half and what lies between differs from the rest; else 0."""
    found = mser(series, BATCH)
    if found is None or not found.settled or found.index <= start:
        return 0
    rest = float(series[found.index :].mean())
    differs = abs(float(series[start : found.index].mean()) - rest) > SECOND_OPINION * abs(rest)
    return found.index if differs else 0


def _change(whole: Stretch, start: int, early: int) -> NotSteady | None:
    """What is wrong with a series whose warm-up seems to be over at ``start``, or even ``early``."""
    rest = whole.after(start)
    change = drift_or_step(rest) or wandering(rest)
    if change is not None:
        return (in_turns(rest, known=True) if change.kind != "drift" else None) or change
    first = min(early, start)
    back, middle = whole.after(first), len(whole.read) // 2 - first
    returns = in_turns(rest, known=False) or in_turns(back, known=False, switches=RETURNS, beyond=middle)
    return returns or growing(back)


def _never(whole: Stretch, ended: WarmUp) -> NotSteady:
    """What is said of a series that has not settled in its first half."""
    n = len(whole.calm)
    late = ended.shape_beyond(n // 2)
    if late is None:  # cannot be: it has not ended by then
        raise ValueError("a warm-up that is over")
    shape, end = late
    if shape not in {"exponential", "line"}:
        # Once to and fro is what a warm-up and a late step do together.
        bistable = in_turns(whole, known=True, switches=RETURNS)
        if bistable is not None:
            return bistable
    if shape == "wave":
        swings = "swings slowly, up and down in more than a third of the series"
        return wandering(whole) or NotSteady("swing", swings)
    if shape == "step":
        return stepped(whole, end)
    if ended.weight_of("line") >= STRAIGHT and abs(change_over_thirds(whole)) <= LARGEST_DRIFT:
        return drifting(whole)
    if shape != "line" and end < NEARLY * n:
        reason = f"seems to settle only after {end} of {n} readings; it takes as many again to be sure"
        return NotSteady("too short", reason, int(whole.positions[min(end, n - 1)]))
    reason = f"was still warming up at the end of the {n} readings: {thirds(whole)}"
    return NotSteady("unfinished warm-up", reason)
