"""Looking after several blocks without deceiving oneself: the level at each look.

Looking at a 5 % interval after every block, and stopping as soon as it decides, errs in far more than 5 % of all
experiments. Here the error is spent bit by bit (Lan & DeMets 1983, Biometrika 70, 659; the power family of Kim &
DeMets 1987, Biometrika 74, 149), and each look gets the level that spends no more than its share. Intervals at these
levels are repeated confidence intervals (Jennison & Turnbull 1989, JRSS B 51, 305): with the chosen confidence *all* of
them hold the truth, so every word that follows from one of them is as sure, whatever made one stop and wherever.

The variance is estimated, and at few blocks that matters: levels computed as if it were known keep too little back
(the significance-level approach of Jennison & Turnbull 2000, ch. 4.4; with looks at 2 to 10 blocks, paired, they err in
6.0 % instead of 5 %). So the levels are computed from the exact joint distribution of the t statistics: with normal
logs and no difference the direction of all readings so far, seen as a vector, does not depend on its length; hence
Student's t, a function of the direction, is a Markov chain over the looks, and one-dimensional quadrature from look to
look is enough (the recursion of Armitage, McPherson & Rowe 1969, JRSS A 132, 235, for known variance, carried over to
t). Simulated, the exact levels err in 5.0 % (tests/benchmarks/statistics/between_trials.py levels).

Levels are those of one comparison. For a family each of its comparisons is given the error that the family leaves it
at a single look, and spends that. It is not exact: smaller levels overlap less, so that the family errs a little more
than it would in one look: 5.0-5.3 % of 3 to 24 cells, all pairs, looks at 3 to 10 blocks (there: family).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import roots_jacobi, stdtr, stdtrit

from orchestrator.core.verdict.inference.uncertainty import LogEstimate

#: Share of the error spent up to a share x of the blocks: x to this power. Simulated with looks at 3, 4, 5, 6, 8 and 10
#: blocks, ratios 1 to 1.1, sd .3-3 % (tests/benchmarks/statistics/between_trials.py looks): power 1 decides 66.2 %
#: rightly in 6.8 blocks, 1.5 67.7 % in 6.9, 2 68.8 % in 7.1; a constant level 64.5 % in 6.7.
_SPENDING_POWER = 1.5
#: A look is worth its price in level only when there is a fifth more to look at (common practice, no published source).
_NEXT_LOOK = 1.2
#: Cells of the grid over what is still undecided, where the pair stands alone (its chance has kinks) and otherwise. The
#: levels are within 2.1 % of those on 400 cells, for looks at 2 to 30 blocks and errors of .0004 to .05
#: (tests/benchmarks/statistics/between_trials.py grid).
_CELLS_ALONE, _CELLS = 128, 64
#: From so many blocks on looks lie further apart, and the chance has no kinks.
_LAST_KINK = 6
#: Levels are computed at errors that are powers of this and interpolated between, so that the many corrected levels
#: of a design share them: within 1.2 % of the level itself (tests/benchmarks/statistics/between_trials.py grid).
_ERROR_STEP = 4.0
_QUARTER = math.pi / 2
#: Logarithm of the nearest that a bound comes to a right angle.
_SMALLEST_REST = math.log(1e-14)
#: Nodes for the part of the new scatter that is not of the pair itself: in few dimensions small chances are decided in
#: a corner that few nodes do not see.
_NODES_BY_DIMENSIONS = ((8.0, 16), (16.0, 8), (math.inf, 4))
#: Beyond so many dimensions a beta distribution is near enough to a normal one for three nodes.
_MANY_DIMENSIONS = 60.0
#: Degrees of freedom a block are taken down to one of these, so that little is computed; fewer are stricter.
_STEPS = (1.0, 2.0, 3.0, 5.0, 9.0, 17.0)

Floats = NDArray[np.float64]


def looks(at_least: int, at_most: int) -> tuple[int, ...]:
    """After how many blocks one looks: from ``at_least`` on, each time there is a fifth more, and at ``at_most``.

    Args:
        at_least: blocks before the first look, at least 2.
        at_most: blocks in all, not fewer.

    Raises:
        ValueError: when these bounds are none.
    """
    if not 2 <= at_least <= at_most:
        raise ValueError(
            f"at least {at_least} and at most {at_most} blocks cannot be; it takes 2 <= at least <= at most"
        )
    found = [at_least]
    while found[-1] < at_most:
        found.append(min(at_most, max(found[-1] + 1, math.ceil(found[-1] * _NEXT_LOOK - 1e-9))))
    return tuple(found)


def spent(blocks: int, at_most: int, confidence: float) -> float:
    """The error that may have been spent after so many of the blocks."""
    return (1 - confidence) * math.pow(min(1.0, blocks / at_most), _SPENDING_POWER)


def nominal_level(blocks: int, planned: tuple[int, ...], confidence: float, df_per_block: float = 1.0) -> float:
    """Two-sided level of the look after ``blocks`` blocks: the interval is computed at 1 less it.

    The looks before it count as taken. It need not be one of those planned (a run was interrupted): spending allows
    for any look whose time the data did not choose. After more blocks than planned it stands for the last look.

    Args:
        blocks: when one looks.
        planned: see :func:`looks`; a single one leaves the confidence as it is.
        confidence: that is to hold over all looks, corrected already for the number of comparisons.
        df_per_block: degrees of freedom that each block after the first adds: 1 for a pair alone, 2 for two independent
            cells, one less than the number of cells where the variance is pooled over a block design.
    """
    last = planned[-1]
    if blocks >= last:
        blocks, planned = last, (*planned[:-1], last)
    if blocks in planned:
        taken, place = planned, planned.index(blocks)
    else:
        taken = (*planned[: bisect_left(planned, blocks)], blocks)
        place = len(taken) - 1
    if place == 0:
        return spent(blocks, last, confidence)
    return _interpolated(taken, place, last, 1 - confidence, _step(df_per_block))


def repeated_confidence(estimate: LogEstimate, blocks: int, planned: tuple[int, ...], confidence: float) -> float:
    """The confidence that ``estimate.interval`` is to be given at the look after ``blocks`` blocks."""
    per_block = estimate.scatter.df_per_block if estimate.scatter is not None else 1.0
    return 1 - nominal_level(blocks, planned, confidence, per_block)


def error_over_looks(levels: Sequence[float], taken: tuple[int, ...], df_per_block: float = 1.0) -> float:
    """Chance that one of several looks finds a difference where there is none.

    No verdict asks for it: published chances are for given levels, and by it they check the chain that finds levels.

    Args:
        levels: two-sided level of each look.
        taken: blocks at each look, rising.
        df_per_block: see :func:`nominal_level`; as given here, not rounded.
    """
    chain = _Chain(taken, df_per_block)
    chain.start(levels[0])
    return levels[0] + math.fsum(chain.go_on(level=level) for level in levels[1:])


def _step(df_per_block: float) -> float:
    return max((step for step in _STEPS if step <= df_per_block), default=_STEPS[0])


@lru_cache(maxsize=4096)
def _interpolated(taken: tuple[int, ...], place: int, at_most: int, error: float, per_block: float) -> float:
    """The level of the look at this place, its logarithm interpolated between two errors."""
    power = math.log(error, _ERROR_STEP)
    low = math.floor(power)
    one, two = (_levels(taken, at_most, _ERROR_STEP**end, per_block).at(place) for end in (low, low + 1))
    return math.exp(math.log(one) * (1 - power + low) + math.log(two) * (power - low))


@lru_cache(maxsize=512)
def _levels(taken: tuple[int, ...], at_most: int, error: float, per_block: float) -> _Levels:
    return _Levels(taken, at_most, error, per_block)


class _Levels:
    """Levels of all looks taken, each so that the chance to err by then is what may have been spent.

    They are computed as far as they are asked for, since each rests on those before it, and kept.
    """

    def __init__(self, taken: tuple[int, ...], at_most: int, error: float, per_block: float) -> None:
        self._taken, self._chain = taken, _Chain(taken, per_block)
        self._spent = [spent(blocks, at_most, 1 - error) for blocks in taken]
        self._found = self._spent[:1]
        self._chain.start(self._found[0])

    def at(self, place: int) -> float:
        """The level of the look at this place."""
        while len(self._found) <= place:
            if len(self._found) > 1:
                self._chain.go_on(level=self._found[-1])
            before, whole = self._spent[len(self._found) - 1 : len(self._found) + 1]
            share = whole - before
            # It lies between what is spent now and what is spent in all, whatever the grid makes of tiny chances.
            self._found.append(min(whole, max(share, self._chain.level_of(share))))
        return self._found[place]


class _Chain:
    """What is still undecided at each look: chances on a grid of angles, whose tangent is |t| / sqrt(df)."""

    def __init__(self, taken: tuple[int, ...], per_block: float) -> None:
        self._taken, self._per_block, self._place = taken, per_block, 0
        self._mass = self._middle = np.zeros(0)

    def start(self, level: float) -> None:
        """The first look: Student's t itself."""
        df = self._per_block * (self._taken[0] - 1)
        edges = self._edges(self._bound(level))
        self._keep(edges, np.asarray(2 * stdtr(df, -math.sqrt(df) * np.tan(edges)), dtype=np.float64))

    def level_of(self, share: float) -> float:
        """The level of the next look at which just this share of all experiments is decided there."""
        step, df = self._next(), self._per_block * (self._taken[self._place + 1] - 1)

        def excess(log_rest: float) -> float:
            beyond = step.beyond(self._middle, np.array([_QUARTER - math.exp(log_rest)]))[:, 0]
            return math.log(max(float(self._mass @ beyond), 1e-300) / share)

        rest = math.exp(float(brentq(excess, _SMALLEST_REST, math.log(_QUARTER), xtol=1e-5)))
        return float(2 * stdtr(df, -math.sqrt(df) / math.tan(rest)))

    def go_on(self, level: float) -> float:
        """Take the next look at this level; the share that is decided there."""
        step = self._next()
        self._place += 1
        edges = self._edges(self._bound(level))
        beyond = step.beyond(self._middle, edges).T @ self._mass
        self._keep(edges, beyond)
        return float(beyond[0])

    def _next(self) -> _Step:
        now, then = self._taken[self._place : self._place + 2]
        return _Step(now, then - now, self._per_block)

    def _bound(self, level: float) -> float:
        df = self._per_block * (self._taken[self._place] - 1)
        return math.atan(-float(stdtrit(df, level / 2)) / math.sqrt(df))

    def _edges(self, bound: float) -> Floats:
        """Edges of cells from the bound to 0, narrower towards a right angle, where small chances are decided."""
        cells = _CELLS_ALONE if self._per_block == 1 and self._taken[self._place] < _LAST_KINK else _CELLS
        rest = max(_QUARTER - bound, 1e-7)
        places = np.linspace(math.asinh(1.0), math.asinh(_QUARTER / rest), cells + 1)
        return np.asarray(_QUARTER - rest * np.sinh(places), dtype=np.float64)

    def _keep(self, edges: Floats, beyond: Floats) -> None:
        """The middle of a cell stands for all of it."""
        self._mass, self._middle = np.diff(beyond), (edges[1:] + edges[:-1]) / 2


class _Step:
    """How the angle whose tangent is t / sqrt(df) moves when blocks are added.

    Its sine is the cosine between all readings of the pair and their mean. First scatter that is not in the sum of the
    pair's differences is added, which shortens the sine by the square root of a beta variable; then the sum itself,
    which turns it by an angle whose tangent is Student's t again.
    """

    def __init__(self, blocks: int, more: int, per_block: float) -> None:
        self._old, self._more = blocks / (blocks + more), more / (blocks + more)
        size, other = per_block * (blocks - 1) + 1, per_block * more - 1
        self._df = size + other
        self._shrink, self._weight = _beta(size / 2, other / 2)

    def beyond(self, angles: Floats, bounds: Floats) -> Floats:
        """Chance that the size of the angle lies beyond each bound afterwards; a row for each angle."""
        shrunk = np.multiply.outer(np.sqrt(self._shrink), np.sin(angles)).ravel()
        limits = np.sin(bounds)
        chance = self._above(shrunk, limits) + self._above(-shrunk, limits)
        return np.asarray(np.tensordot(self._weight, chance.reshape(len(self._weight), len(angles), -1), 1))

    def _above(self, sines: Floats, limits: Floats) -> Floats:
        length, limit = np.broadcast_arrays(np.sqrt(self._old * sines**2 + self._more)[:, np.newaxis], limits)
        reached = limit < length
        towards = np.arctan2(math.sqrt(self._more), math.sqrt(self._old) * sines)[:, np.newaxis]
        middle = np.broadcast_to(towards, reached.shape)[reached]
        apart = np.arccos(limit[reached] / length[reached])
        low = np.tan(np.clip(middle - apart, -_QUARTER, _QUARTER)) * math.sqrt(self._df)
        high = np.tan(np.clip(middle + apart, -_QUARTER, _QUARTER)) * math.sqrt(self._df)
        chance = np.zeros(reached.shape)
        # Upper tails, since all of this is about small chances.
        chance[reached] = stdtr(self._df, -low) - stdtr(self._df, -high)
        return chance


def _beta(one: float, two: float) -> tuple[Floats, Floats]:
    """Nodes and weights for the mean of a function of a beta variable (Gauss-Jacobi)."""
    if two <= 0:
        return np.ones(1), np.ones(1)
    if 2 * (one + two) > _MANY_DIMENSIONS:
        mean = one / (one + two)
        sd = math.sqrt(mean * (1 - mean) / (one + two + 1))
        nodes = np.clip(mean + sd * math.sqrt(3) * np.array([-1.0, 0.0, 1.0]), 0.0, 1.0)
        return nodes, np.array([1.0, 4.0, 1.0]) / 6
    number = next(nodes for most, nodes in _NODES_BY_DIMENSIONS if 2 * (one + two) <= most)
    nodes, weights = roots_jacobi(number, two - 1, one - 1)
    return (np.asarray(nodes) + 1) / 2, np.asarray(weights) / math.fsum(weights)
