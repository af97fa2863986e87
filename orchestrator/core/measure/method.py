"""How a series was judged: the steps in their order, with the figures that entered and the source of each method.

Nothing here decides. Each step repeats the function that decided, on the same readings, and says what it found.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Sequence
from dataclasses import replace

import numpy as np

from orchestrator.core.measure.cleaning import clean
from orchestrator.core.measure.cycles import periodic_variance
from orchestrator.core.measure.grid import places, spread, usual_step
from orchestrator.core.measure.long_run import (
    MeanVariance,
    autoregressive_variance,
    limited_by_tails,
    overlapping_means_variance,
)
from orchestrator.core.measure.mean import FEWEST_FOR_BOUNDS, Remainder
from orchestrator.core.measure.readings import Values, binary_unit
from orchestrator.core.measure.results import Record
from orchestrator.core.measure.steady.calm import calm
from orchestrator.core.measure.steady.steady_state import (
    FEWEST,
    SMALLEST_CHANGE,
    NotSteady,
    Steady,
    steady_state,
)
from orchestrator.core.measure.steady.transient import SHAPES, SMALL, warm_up
from orchestrator.core.measure.window import LOOKS, WATCHED_WEIGHT, remainder_of
from orchestrator.units import format_duration, format_percent

_SHAPES = {
    "level": "no warm-up at all",
    "exponential": "an exponential approach",
    "two exponentials": "a pair of exponentials",
    "damped swing": "a damped swing",
    "ramp": "a ramp",
    "step": "a step",
    "late approach": "an approach that begins late",
    "hyperbola": "a hyperbola",
    "line": "a straight line",
    "wave": "a slow wave",
}
PRACTICE = "common practice, no published source"
_WARM_UP = "Golub & Pereyra 1973 (shapes); Lindley & Smith 1972 (weights); Prais & Winsten 1954 (correlated seconds)"
_CALM = "Hampel 1974"
_LEVEL = "Student 1908 (drift); Ploberger & Krämer 1992 (step); Whittle 1953 (swing); Levene 1960 (growing scatter)"
_PERIOD = "least squares of the times of the slowdowns on their numbers (Gauss 1809)"
_SPECTRUM = "Burg 1975; order by Hurvich & Tsai 1989; bias by Marriott & Pope 1954"
_BATCHES = "Meketon & Schmeiser 1984"
_CYCLES = "batch means of whole cycles (Law & Kelton, ch. 9)"
_LOOKS = "Chow & Robbins 1965 (why looking matters); the level from series of known truth, no published source"
_INTERVAL = "Student 1908; degrees of freedom by Satterthwaite 1946; two sources of error added by JCGM 100:2008, 5.1.2"


class Step(Record):
    """One step of a method.

    ``step`` names it, ``what`` says what was done and with which figures, ``source`` where the method is from.
    """

    step: str
    what: str
    source: str


def explain_series(
    times_s: Sequence[float] | None,
    values: Sequence[float],
    *,
    confidence: float,
    mean_over_s: tuple[float, float] | None = None,
    watched: bool = False,
) -> tuple[Step, ...]:
    """How a series of throughput readings was judged.

    Args:
        times_s: when each was taken, in seconds and rising; ``None``: numbered from 0, one a second.
        values: one for each time.
        confidence: of the interval.
        mean_over_s: from the first to the last reading that the mean is over, in the series' own time; ``None`` where
            no mean was given.
        watched: whether the readings are a trial's, which ended when its interval was narrow enough.
    """
    cleaned = clean(values)
    at = places(times_s) if times_s is not None else np.arange(len(values), dtype=np.intp)
    rates = spread(cleaned.values, at)
    every = 1.0 if times_s is None else usual_step(times_s)
    found = steady_state(rates)
    steps = [_readings(len(values), rates, [one.reason for one in cleaned.left_out], every)]
    finite = rates[np.isfinite(rates)]
    if len(finite) < FEWEST:
        return (*steps, _no(found))
    if np.ptp(finite) > 0:
        steps.append(_ended(finite, every))
    steps.append(_level(found) if isinstance(found, Steady) else _no(found))
    if isinstance(found, Steady) and mean_over_s is not None:
        first, last = (_from(times_s, at, second) for second in mean_over_s)
        left = remainder_of(found, rates, first)
        level = 1 - LOOKS * (1 - confidence) if watched else confidence
        if watched:
            left = replace(left, weight=WATCHED_WEIGHT)
            steps.append(_looked(level))
        steps += _mean(rates[first : last + 1], found, level, left, every)
    return tuple(steps)


def _looked(level: float) -> Step:
    what = (
        "the trial was looked at while it ran and ended when its interval was narrow enough, which makes intervals too "
        f"narrow; so this one is taken at {format_percent(level, 2)}"
    )
    return Step(step="looking often", what=what, source=_LOOKS)


def _from(times_s: Sequence[float] | None, at: np.ndarray[tuple[int], np.dtype[np.intp]], second: float) -> int:
    """The place of the first reading at a time or after it."""
    reading = round(second) if times_s is None else int(np.searchsorted(np.asarray(times_s), second - 1e-9))
    return int(at[min(reading, len(at) - 1)])


def _readings(given: int, rates: Values, impossible: Sequence[str], every: float) -> Step:
    numbers, gaps = int(np.isfinite(rates).sum()), len(rates) - given
    what = f"{given} readings, one every {format_duration(every)}; {numbers} of them count"
    if impossible:
        what += f", {len(impossible)} cannot be true ({impossible[0]}{'; and others' if len(impossible) > 1 else ''})"
    if gaps > 0:
        what += f"; {gaps} are missing, and the gaps keep their places"
    return Step(step="readings", what=what, source=PRACTICE)


def _ended(finite: Values, every: float) -> Step:
    """What the weighing of shapes says of the warm-up's end."""
    half = len(finite) // 2
    ended = warm_up(calm(finite))
    shares = np.bincount(ended.shapes, ended.weights, minlength=len(SHAPES))
    early, late = (format_duration(ended.end(share) * every) for share in (0.05, 0.95))
    when = f"after {early}" if early == late else f"between {early} and {late} (90 % of the weight)"
    when = f"comes within {format_percent(SMALL)} of its level {when}"
    if ended.end(0.5) >= len(finite):
        when = "does not settle in these readings"
    best, weight = _SHAPES[SHAPES[int(np.argmax(shares))]], format_percent(float(shares.max()), 0)
    what = (
        f"of all shapes of a warm-up, {best} fits best ({weight} of the weight); weighed over all of them the "
        f"throughput {when}; {format_percent(ended.ended_by(half), 0)} of the weight settles in the first half"
    )
    return Step(step="end of the warm-up", what=what, source=f"{_WARM_UP}; {_CALM}")


def _level(found: Steady) -> Step:
    what = (
        f"from reading {found.start_index} on (counted from 0, a margin after that end) no drift, step, swing or "
        f"growing scatter is significant and larger than {format_percent(SMALLEST_CHANGE)}"
    )
    return Step(step="steady or not", what=what, source=_LEVEL)


def _no(found: Steady | NotSteady) -> Step:
    reason = f"{found.kind}: throughput {found.reason}" if isinstance(found, NotSteady) else "steady"
    return Step(step="steady or not", what=f"no: {reason}", source=_LEVEL)


def _mean(kept: Values, found: Steady, confidence: float, left: Remainder, every: float) -> Iterator[Step]:
    period = found.period
    if period is not None:
        fall, apart = format_percent(period.depth, 0), format_duration(period.readings * every)
        what = (
            f"the throughput falls by {fall} every {apart} ({period.cycles:.0f} times): part of the steady state, so "
            f"the mean is over whole periods"
        )
        yield Step(step="regular slowdowns", what=what, source=_PERIOD)
    unit = binary_unit(kept)
    kept = kept / unit
    numbers = kept[np.isfinite(kept)]
    if len(numbers) < FEWEST_FOR_BOUNDS:
        yield Step(
            step="interval", what=f"none: {FEWEST_FOR_BOUNDS} readings tell of scatter, or more", source=_INTERVAL
        )
        return
    if np.ptp(numbers) == 0:
        what = "without width: all readings are the same, so what the mean may be off by is their rounding alone"
        yield Step(step="interval", what=what, source=PRACTICE)
        return
    centre = float(numbers.mean())
    cycles = periodic_variance(kept, period.readings, confidence) if period is not None else None
    if cycles is not None:
        chosen = cycles
        share = format_percent(chosen.half_width(confidence) / abs(centre), 2) if centre else "?"
        yield Step(
            step="variance of the mean",
            what=f"from the means of whole periods and from the readings between slowdowns, the wider: ± {share}",
            source=f"{_CYCLES}; {_SPECTRUM}",
        )
    else:
        chosen = limited_by_tails((yield from _two_variances(kept, confidence, centre, unit)), kept)
    yield _student(chosen, numbers, confidence, left)


def _two_variances(kept: Values, confidence: float, centre: float, unit: float) -> Generator[Step, None, MeanVariance]:
    """Both estimates side by side; the wider counts. Its generator's value is the one that counts."""
    first = int(np.flatnonzero(np.isfinite(kept))[0])
    trimmed = kept[first : int(np.flatnonzero(np.isfinite(kept))[-1]) + 1]
    estimates = {
        "autoregressive model": (autoregressive_variance(trimmed), _SPECTRUM),
        "overlapping batch means": (overlapping_means_variance(trimmed), _BATCHES),
    }
    widths = {name: estimate.half_width(confidence) for name, (estimate, _) in estimates.items()}
    wider = max(widths, key=lambda name: widths[name])
    told = "; ".join(
        f"{name} ± {format_percent(widths[name] / abs(centre), 2) if centre else f'{widths[name] * unit:.3g}'}"
        f" ({estimate.freedom:.0f} {'degree' if round(estimate.freedom) == 1 else 'degrees'} of freedom)"
        for name, (estimate, _) in estimates.items()
    )
    sources = "; ".join(source for _, source in estimates.values())
    yield Step(step="variance of the mean", what=f"{told}; the wider counts: {wider}", source=sources)
    return estimates[wider][0]


def _student(chosen: MeanVariance, numbers: Values, confidence: float, left: Remainder) -> Step:
    half, n, centre = chosen.half_width(confidence), len(numbers), float(numbers.mean())
    worth = min(float(np.var(numbers, ddof=1)) / chosen.variance, n) if chosen.variance > 0 else n
    what = f"Student's t with {chosen.freedom:.0f} degrees of freedom; the {n} readings are worth {max(worth, 1):.0f}"
    if left.deviation > 0 and centre:
        whole = math.hypot(half, left.weight * left.deviation * centre)
        before, after = (format_percent(width / abs(centre), 2) for width in (half, whole))
        what += f"; a fading warm-up was found to leave {format_percent(left.share, 2)} of the mean, which is taken off"
        what += f", and its uncertainty makes ± {before} into ± {after}" if before != after else ""
    return Step(step="interval", what=what, source=_INTERVAL)
