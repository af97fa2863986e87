"""How a figure went from run to run: level, in steps, in a slow drift, or both.

Whole runs are the readings: what changes from run to run (placement, a restart, another day) is their scatter, and the
trials within a run cannot show it. Models with and without a straight line gain steps one at a time, as long as the
likeliest further one is significant (the sequential test of Bai & Perron 1998), or a pair of them at once. A drift is
named where its slope is significant beside the steps, and where Schwarz' criterion prefers it: a drift looks like a
staircase to whoever looks for steps only, and a step like a drift to whoever fits lines only. Time is counted in runs.

Of level series with independent runs, 2.8 to 4.4 % have some change named (6 to 60 runs; 4 % with heavy tails); where
neighbouring runs are alike, more: 7 to 9 % at a correlation of .2, 25 to 39 % at .5. A clear step is called a drift in
0.4 to 6 %, a drift steps in 0.1 to 12 %, and either in up to 20 % (``python tests/benchmarks/statistics history --count
1000 --seed 7007``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from orchestrator.core.verdict.history.likeliest import FEWEST_BESIDE, Fit, places_not_excluded, refined
from orchestrator.core.verdict.inference.uncertainty import exp

Kind: TypeAlias = Literal["too few", "level", "steps", "drift", "drift and steps", "steps or drift"]

#: Fewer runs than this leave nothing to tell a step from what changes from run to run.
FEWEST_RUNS = 6
#: The error of 5 % over all that may be claimed of a series that is level: a step, two at once, a drift.
_STEP, _PAIR, _SLOPE = 0.02, 0.01, 0.02
#: A criterion that is better by less than this tells nothing (Kass & Raftery 1995: not worth more than a bare mention).
_TELLS_APART = 2.0
#: A step's interval is the widest over the places of this confidence: the true size lies in 96.6 % of them (simulated
#: likewise). At the likeliest place alone it would be too narrow with few runs, since the place fits the noise as well.
_LIKELY = 0.5
#: Runs for each step: more steps than that describe the noise.
_RUNS_A_STEP = 4
#: From so many runs on, a correlation of neighbours beyond this many standard errors is told.
_FEWEST_FOR_CORRELATION, _CORRELATED_BEYOND = 10, 2.0


@dataclass(frozen=True)
class StepFound:
    """A step of the level.

    Attributes:
        place: index of the first run after it.
        earliest, latest: the first runs after it that cannot be excluded.
        ratio: level after over level before, by all runs to the next step on either side.
        low, high: its interval, over the places that are likely.
        p: chance of a step as clear where there is none.
    """

    place: int
    earliest: int
    latest: int
    ratio: float
    low: float
    high: float
    p: float


@dataclass(frozen=True)
class SlopeFound:
    """A slow drift: the change from the first run to the last that lies on the line, with its interval."""

    ratio: float
    low: float
    high: float
    p: float


@dataclass(frozen=True)
class Course:
    """What is known of a series.

    Attributes:
        kind: ``steps or drift``: something changed, and the runs do not tell which; ``steps`` and ``slope`` then
            describe the same change.
        fitted: log of the level at each run.
        sd: standard deviation of the logs of runs about it; ``None`` where too few runs tell.
        neighbours_alike: correlation of what is left of neighbouring runs, where it is too strong to be chance.
        last_apart: the last run over what the runs since the last step lead to expect, where it lies outside of that:
            one run that lies apart is no step yet.
    """

    kind: Kind
    steps: tuple[StepFound, ...]
    slope: SlopeFound | None
    fitted: tuple[float, ...]
    sd: float | None
    neighbours_alike: float | None = None
    last_apart: float | None = None


def course(logs: Sequence[float], confidence: float = 0.95) -> Course:
    """Follow a series of runs.

    Args:
        logs: of each run the log of its throughput, oldest first.
        confidence: of intervals and of the sets of places, each by itself.
    """
    n = len(logs)
    level = Fit(logs)
    if n < FEWEST_RUNS or level.exact:
        kind: Kind = "level" if n >= FEWEST_RUNS else "too few"
        return Course(kind, (), None, _fitted(level), None if n < 2 else math.sqrt(level.squares / (n - 1)))
    best, other = _chosen(logs)
    stepped = next((fit for fit in (best, other) if fit is not None and fit.places), None)
    sloped = next((fit for fit in (best, other) if fit is not None and fit.line), None)
    steps = () if stepped is None else tuple(_told(stepped, at, confidence) for at in range(len(stepped.places)))
    slope = None if sloped is None else _slope(sloped, confidence)
    named: Kind = "steps" if steps else "drift" if slope else "level"
    if steps and slope:
        named = "drift and steps" if other is None else "steps or drift"
    sd = math.sqrt(best.squares / best.df) if best.df > 0 else None
    return Course(named, steps, slope, _fitted(best), sd, _alike(best), _last_apart(best, confidence))


def _chosen(logs: Sequence[float]) -> tuple[Fit, Fit | None]:
    """The fit that describes the runs best, and another that does so as well, where they do not tell which.

    Only steps and a line that are significant are claimed; but of two descriptions of one change, the one may miss its
    level by little and fit as well.
    """
    line, stepped = Fit(logs, line=True), _with_steps(logs, line=False)
    if not stepped.places and line.p_of(1) >= _SLOPE:
        return Fit(logs), None  # only these two may find something in a series that is level
    sloped = _with_steps(logs, line=True)
    shown = [fit for fit in (sloped, line) if fit.p_of(len(fit.places) + 1) < _SLOPE]
    if not stepped.places:
        best = shown[0]
        place = Fit(logs).best_place()
        stepped = Fit(logs, [] if place is None else [place])
    else:
        best = min([stepped, *shown], key=lambda fit: fit.criterion)
    if best.places and best.line:
        return best, None
    other = line if best is stepped else stepped
    return best, other if other.criterion - best.criterion < _TELLS_APART else None


def _with_steps(logs: Sequence[float], *, line: bool) -> Fit:
    """The fit with all steps that are significant one after the other, each at its best place given the others."""
    places: tuple[int, ...] = ()
    while len(places) < len(logs) // _RUNS_A_STEP:
        fit = Fit(logs, places, line=line)
        found, limit = fit.step(), _STEP
        if found is None or found.p >= _STEP:
            found, limit = fit.pair(), _PAIR
        if found is None or found.p >= limit:
            break
        places = refined(logs, [*places, *found.places], line=line)
    while places:
        least = max(places, key=lambda place: _p_of_step(logs, places, place, line=line))
        if _p_of_step(logs, places, least, line=line) < _STEP:
            break
        places = refined(logs, [place for place in places if place != least], line=line)
    return Fit(logs, places, line=line)


def _p_of_step(logs: Sequence[float], places: Sequence[int], place: int, *, line: bool) -> float:
    """Chance of a step as clear as one of several, given the others."""
    found = Fit(logs, [other for other in places if other != place], line=line).step()
    return 1.0 if found is None else found.p


def _told(fit: Fit, number: int, confidence: float) -> StepFound:
    place = fit.places[number]
    possible = places_not_excluded(fit, place, confidence)
    value, low, high = fit.interval(number + 1, confidence)
    others = [other for other in fit.places if other != place]
    for other in places_not_excluded(fit, place, _LIKELY):
        moved = Fit(fit.readings, [*others, other], line=fit.line)
        _, its_low, its_high = moved.interval(moved.places.index(other) + 1, confidence)
        low, high = min(low, its_low), max(high, its_high)
    p = _p_of_step(list(fit.readings), fit.places, place, line=fit.line)
    return StepFound(place, possible[0], possible[-1], exp(value), exp(low), exp(high), p)


def _slope(fit: Fit, confidence: float) -> SlopeFound:
    runs = len(fit.readings) - 1
    number = len(fit.places) + 1
    value, low, high = (each * runs for each in fit.interval(number, confidence))
    return SlopeFound(exp(value), exp(low), exp(high), fit.p_of(number))


def _fitted(fit: Fit) -> tuple[float, ...]:
    return tuple(float(value) for value in fit.readings - fit.left)


def _alike(fit: Fit) -> float | None:
    """Correlation of neighbouring residuals (Durbin & Watson 1950 test the same), where it is positive and no chance.

    Residuals of a fit are a little unlike their neighbours: by about one over the number of runs for each coefficient.
    """
    n = len(fit.left)
    if n < _FEWEST_FOR_CORRELATION or fit.squares == 0:
        return None
    found = float(fit.left[1:] @ fit.left[:-1]) / fit.squares + (n - fit.df) / n
    return found if found > _CORRELATED_BEYOND / math.sqrt(n) else None


def _last_apart(fit: Fit, confidence: float) -> float | None:
    """The last run over its prediction by the others, where it lies outside of their prediction interval."""
    before = fit.readings[:-1]
    if fit.places and fit.places[-1] > len(before) - FEWEST_BESIDE:
        return None
    expected = Fit(before, fit.places, line=fit.line)
    if expected.df < 1 or expected.exact:
        return None
    with_last = Fit(fit.readings, [*fit.places, len(before)], line=fit.line)
    # A step before the last run alone is its deleted residual; its t-test is that of the prediction interval.
    if with_last.p_of(len(fit.places) + 1) >= 1 - confidence:
        return None
    return exp(with_last.coefficient(len(fit.places) + 1)[0])
