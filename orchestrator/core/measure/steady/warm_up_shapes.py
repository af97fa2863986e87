"""The shapes that a warm-up may have, as a grid of candidates for one length of series.

A step, a ramp (which may begin late or bend once), an exponential approach, one that begins late (sharply, or gently as
a logistic curve does), two exponentials of different time constants and any signs (a fast and a slow one, or an
overshoot), a damped swing, and a hyperbola. Beside them stand two that never end, a straight line and a slow wave, so
that these are not taken for long warm-ups.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from orchestrator.core.measure.readings import Values

CONSTANTS = 24
"""Time constants tried: neighbours differ by a third, and two of them are told apart only by a perfect series."""
SHORTEST = 0.7
"""Points: an exponential that is faster is over within the first three."""
LONGEST = 2.0
"""Of the series: an exponential that is slower is a straight line."""
TURNS = (1.0, 1.35, 1.8, 2.3, 2.9, 3.7, 4.8)
"""Radians that a damped swing turns in one time constant: fewer is an overshoot, more is noise."""
CYCLES = tuple(0.4 + 0.2 * step for step in range(15))
"""Of a slow wave, in the series: with more than three it is no matter of the whole series."""
BENDS = 36
"""Where a ramp may bend: it may begin late, go on more slowly, or end in an exponential."""
PLACES = 160
"""Where a ramp may end: beyond so many points not every one is tried."""

HYPERBOLAS, FASTEST, SLOWEST = 12, 0.5, 1 / 8
"""Constants tried, from so many points to so much of the series: a hyperbola fades so slowly that one which is slower
does not come near its level."""
DELAYS, SOONEST, LATEST = 16, 2.5, 0.6
"""Delays tried, from so many points to so much of the series."""
RATES = np.geomspace(0.12, 1.6, 8)
"""Time constants of an approach that begins late, as shares of its delay: a faster one is a step, a slower one an
exponential from the start."""
WIDTHS = (0.12, 0.25, 0.4)
"""The same for logistic curves: wider ones have no flat beginning."""

Shape: TypeAlias = Literal[
    "level", "exponential", "two exponentials", "damped swing", "ramp", "step", "late approach", "hyperbola", "line",
    "wave",
]  # fmt: skip
SHAPES: tuple[Shape, ...] = get_args(Shape)
LEVEL, EXPONENTIAL, TWO, DAMPED, RAMP, STEP, LATE, HYPERBOLA, LINE, WAVE = range(len(SHAPES))
_PRIOR = np.log(np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.02, 0.5, 0.5]))
"""Of each shape as a whole: equal, and half for those that a machine should not show. A hyperbola has a fiftieth:
its tail resembles that of two exponentials but is hardly ever over, so that with an equal share one series of two
exponentials in twenty was refused. With this one, hyperbolas are cut too early in two cases of ten; without, in six."""


LENGTHS = 40
"""Lengths of series whose grids are kept, a megabyte each: every trial of a run is looked at after about as many
readings as the one before, and making a grid takes longer than using it."""


@dataclass(frozen=True)
class Sums:
    """Inner products of pairs of shapes, as a polynomial in the coefficient that the shapes are whitened with.

    Whitening leaves ``x[t] - phi x[t-1]``, and ``sqrt(1 - phi^2) x[0]`` of the first; multiplied out, the products of
    two such rows are ``whole - phi lagged + phi^2 inner``, so that no row has to be whitened for them. They are summed
    by einsum, which keeps to one CPU, as products of matrices do not: the others may be under measurement.

    Attributes:
        whole: sums of the products over all points.
        lagged: sums of the products with the other's neighbour, either way.
        inner: the first, without the first and the last point.
    """

    whole: Values
    lagged: Values
    inner: Values

    @staticmethod
    def of(left: Values, right: Values) -> Sums:
        """Of each row with the row of the same number."""
        whole = np.einsum("ij,ij->i", left, right)
        lagged = np.einsum("ij,ij->i", left[:, 1:], right[:, :-1]) + np.einsum("ij,ij->i", left[:, :-1], right[:, 1:])
        return Sums(whole, lagged, whole - left[:, 0] * right[:, 0] - left[:, -1] * right[:, -1])

    @staticmethod
    def among(rows: Values) -> Sums:
        """Of each row with each, as matrices."""
        whole = np.einsum("ik,jk->ij", rows, rows)
        lagged = np.einsum("ik,jk->ij", rows[:, 1:], rows[:, :-1])
        ends = rows[:, [0, -1]]
        return Sums(whole, lagged + lagged.T, whole - np.einsum("ik,jk->ij", ends, ends))

    def whitened(self, phi: float) -> Values:
        """The inner products after whitening."""
        return self.whole - phi * self.lagged + phi**2 * self.inner


@dataclass(frozen=True)
class Grid:
    """All candidates for so many points.

    Attributes:
        rows: the shapes that have no closed form: decays, ramps to few places, damped swings (cosines, then sines),
            waves (the same), late approaches, hyperbolas, the line. The other ramps and the steps are counted behind
            them.
        squares: of each row with itself.
        crosses: of the two shapes of each candidate; zero where there are not two.
        ramps, steps: where each ramp and each step ends.
        first, second: a candidate's shapes, -1 for none.
        kinds: which of :data:`SHAPES` it is.
        priors: the logarithm of its prior probability.
    """

    rows: Values
    squares: Sums
    crosses: Sums
    ramps: NDArray[np.intp]
    steps: NDArray[np.intp]
    first: NDArray[np.intp]
    second: NDArray[np.intp]
    kinds: NDArray[np.intp]
    priors: Values

    @staticmethod
    @lru_cache(maxsize=LENGTHS)
    def of(points: int) -> Grid:
        """The grid, which is the same for every series of the length."""
        time = np.arange(points, dtype=np.float64)
        constants = np.geomspace(SHORTEST, LONGEST * points, CONSTANTS)
        decays = np.exp(-time / constants[:, np.newaxis])
        swinging = np.repeat(np.arange(2, CONSTANTS - 3), len(TURNS))
        damped = len(swinging)
        angles = np.tile(TURNS, damped // len(TURNS))[:, np.newaxis] * time / constants[swinging, np.newaxis]
        slow = 2 * np.pi * np.array(CYCLES)[:, np.newaxis] * time / points
        bends = np.unique(np.geomspace(3, points - 1, BENDS).astype(np.intp))
        rows = [
            decays,
            np.clip(1 - time / bends[:, np.newaxis], 0, None),
            decays[swinging] * np.cos(angles),
            decays[swinging] * np.sin(angles),
            np.cos(slow),
            np.sin(slow),
            delayed := _late_approaches(time),
            _hyperbolas(time),
        ]
        matrix = np.vstack([*rows, time[np.newaxis] / points - 0.5])
        ramps = np.unique(np.geomspace(2, points - 1, PLACES).astype(np.intp))
        steps = np.arange(1, points - 1)
        fast, late = np.triu_indices(CONSTANTS, 2)  # neighbours on the grid are too alike to be told apart
        joined = CONSTANTS + len(bends)
        swings, tides = joined + np.arange(damped), joined + 2 * damped + np.arange(len(CYCLES))
        bent, after = np.triu_indices(len(bends), 1)
        decay, bend = np.divmod(np.arange(CONSTANTS * len(bends)), len(bends))
        broken = np.concatenate([CONSTANTS + bent, CONSTANTS + bend]), np.concatenate([CONSTANTS + after, decay])
        edges = len(matrix)
        hyperbolas = edges - 1 - HYPERBOLAS + np.arange(HYPERBOLAS)
        lates = hyperbolas[0] - len(delayed) + np.arange(len(delayed))
        groups: list[tuple[int, NDArray[np.intp], NDArray[np.intp] | None, Values]] = [
            (LEVEL, np.array([-1]), None, np.ones(1)),
            (EXPONENTIAL, np.arange(CONSTANTS), None, np.ones(CONSTANTS)),
            (TWO, fast, late, np.ones(len(fast))),
            (DAMPED, swings, swings + damped, np.ones(damped)),
            # Evenly over the logarithm, as the time constants are.
            (RAMP, edges + np.arange(len(ramps)), None, np.gradient(np.log(ramps))),
            (RAMP, *broken, np.ones(len(broken[0]))),
            (STEP, edges + len(ramps) + np.arange(len(steps)), None, 1.0 / steps),
            (LATE, lates, None, np.ones(len(lates))),
            (HYPERBOLA, hyperbolas, None, np.ones(HYPERBOLAS)),
            (LINE, np.array([edges - 1]), None, np.ones(1)),
            (WAVE, tides, tides + len(CYCLES), np.ones(len(CYCLES))),
        ]
        first = np.concatenate([places for _, places, _, _ in groups])
        second = np.concatenate([np.full(len(a), -1) if b is None else b for _, a, b, _ in groups])
        kinds = np.concatenate([np.full(len(places), kind) for kind, places, _, _ in groups])
        priors = np.concatenate([_PRIOR[kind] + np.log(share / share.sum()) for kind, _, _, share in groups])
        crosses = _crosses(matrix, joined, first, second)
        return Grid(matrix, Sums.of(matrix, matrix), crosses, ramps, steps, first, second, kinds, priors)

    def shapes(self, indices: NDArray[np.intp]) -> Values:
        """These shapes as rows; zeros for none."""
        points, edges = self.rows.shape[1], len(self.rows)
        time = np.arange(points)
        found = np.zeros((len(indices), points))
        smooth = (indices >= 0) & (indices < edges)
        found[smooth] = self.rows[indices[smooth]]
        ramped = (indices >= edges) & (indices < edges + len(self.ramps))
        found[ramped] = np.clip(1 - time / self.ramps[indices[ramped] - edges, np.newaxis], 0, None)
        stepped = indices >= edges + len(self.ramps)
        found[stepped] = time < self.steps[indices[stepped] - edges - len(self.ramps), np.newaxis]
        return found


def _crosses(rows: Values, joined: int, first: NDArray[np.intp], second: NDArray[np.intp]) -> Sums:
    """Of the two shapes of each candidate; most pairs are from the first ``joined`` rows."""
    among, found = Sums.among(rows[:joined]), Sums(*(np.zeros(len(first)) for _ in range(3)))
    two = (second >= 0) & (first < joined)
    other = (second >= 0) & ~two
    apart = Sums.of(rows[first[other]], rows[second[other]])
    for name in ("whole", "lagged", "inner"):
        getattr(found, name)[two] = getattr(among, name)[first[two], second[two]]
        getattr(found, name)[other] = getattr(apart, name)
    return found


def _late_approaches(time: Values) -> Values:
    """One row each: exponentials that begin after a delay, then logistic curves around it."""
    delays = np.geomspace(SOONEST, LATEST * len(time), DELAYS)[:, np.newaxis, np.newaxis]
    since = time - delays
    sharp = np.exp(-np.clip(since, 0, None) / (delays * RATES[:, np.newaxis]))
    gentle = expit(-since / (delays * np.array(WIDTHS)[:, np.newaxis]))
    return np.concatenate([sharp, gentle], axis=1).reshape(-1, len(time))


def _hyperbolas(time: Values) -> Values:
    constants = np.geomspace(FASTEST, SLOWEST * len(time), HYPERBOLAS)
    return np.asarray(1 / (1 + time / constants[:, np.newaxis]), dtype=np.float64)
