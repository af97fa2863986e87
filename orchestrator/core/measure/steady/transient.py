"""Where a warm-up ends, as a distribution: every shape that it may have is weighed by how well it fits.

The shapes (:mod:`~orchestrator.core.measure.steady.warm_up_shapes`) have linear amplitudes, and the rest on a grid
(Golub & Pereyra 1973). Neighbouring seconds are alike, so series and shapes are whitened by an autoregression of order
one, with the first value kept (Prais & Winsten 1954). The weight of a shape is its probability given the series: a
linear model of known noise with a normal prior for the amplitudes has it in closed form (Zellner 1971; Lindley & Smith
1972), and the prior shares it among the places of the grid. A small warm-up that noise would hide keeps its prior
probability, which a test for it would not leave it.

What counts is not the shape but since when it stays within a small share of the level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from orchestrator.core.measure.readings import Values, binary_unit
from orchestrator.core.measure.steady.warm_up_shapes import HYPERBOLA, LINE, SHAPES, WAVE, Grid, Shape
from orchestrator.core.measure.steady.warm_up_tail import ENDED, FADED, Tails

__all__ = ["SHAPES", "SMALL", "WarmUp", "warm_up"]

POINTS = 400
"""A longer series is averaged to at most so many points first: a look stays fast, and the cut is as coarse as that."""
TOLERANCE = 0.002
"""Share of the level: no shape is true to less than that, so a misfit this small says nothing against one."""
AMPLITUDE = 0.25
"""Standard deviation of the prior of an amplitude, as a share of the level: warm-ups of 5 to 60 % are usual (common
practice, no published source)."""
SMALL = 0.01
"""Share of the level below which what is left of a warm-up does not matter."""
NEGLIGIBLE = 2e-3
MOST = 100
"""Candidates of less weight than this share of the best one's are dropped, and all but the hundred best: paths of all
two thousand would take most of a look's time, and the others hardly move the ends."""
SIDE = 1.2
"""Errors of an amplitude at which the outer quarters of its distribution are looked at: those of a normal one have
their medians at 1.15 deviations and their means at 1.27."""
GROUP, FEWEST_GROUPS = 8, 10
"""Neighbours whose means are compared, and how many such groups it takes to say anything."""
STRONGEST = 0.95
"""Lag-1 correlation of points: a stronger one could not be told from a drift."""


@dataclass(frozen=True)
class WarmUp:
    """Where the warm-up ends.

    Attributes:
        ends: readings after which what is left stays small, rising; as many as there are when it never does.
        weights: the probability of each; they add up to 1.
        shapes: which of :data:`SHAPES` each comes from, as its place in it.
        path: what the likeliest warm-up adds to each reading, of those that end in the first half.
        tails: of the shapes that end at all, what each leaves in the mean from each point on, as a share of the level.
    """

    ends: Values
    weights: Values
    shapes: NDArray[np.intp]
    path: Values
    tails: Tails | None = None

    @property
    def readings(self) -> int:
        """In the series."""
        return len(self.path)

    def remainder(self, first: int) -> tuple[float, float]:
        """What the warm-up adds to the mean of the readings from ``first`` on, and the standard deviation of that.

        Both are shares of the level. The first figure (with its sign) is the mean over the shapes that come to an end
        within the series, each with its probability; the second counts all of them, and how well each is known.
        """
        return (0.0, 0.0) if self.tails is None else self.tails.at(min(first / max(self.readings, 1), 1.0))

    def end(self, probability: float) -> int:
        """The reading by which the warm-up has ended with this probability."""
        place = int(np.searchsorted(np.cumsum(self.weights), probability * (1 - 1e-12)))
        return min(math.ceil(float(self.ends[min(place, len(self.ends) - 1)])), self.readings)

    def ended_by(self, reading: int) -> float:
        """The probability that it has ended by this reading."""
        return float(self.weights[self.ends <= reading].sum())

    def weight_of(self, shape: Shape) -> float:
        """The probability of a shape."""
        return float(self.weights[self.shapes == SHAPES.index(shape)].sum())

    def shape_beyond(self, reading: int) -> tuple[Shape, int] | None:
        """The likeliest shape among those that end later, and where that ends (the weighted median)."""
        late = self.ends > reading
        if not late.any():
            return None
        shares = np.bincount(self.shapes[late], self.weights[late], minlength=len(SHAPES))
        best = int(np.argmax(shares))
        chosen = late & (self.shapes == best)
        reached = np.cumsum(self.weights[chosen])
        return SHAPES[best], int(self.ends[chosen][int(np.searchsorted(reached, reached[-1] / 2))])


def warm_up(series: Values, small: float = SMALL) -> WarmUp:
    """Weigh all shapes of a warm-up.

    Args:
        series: at least 10 finite readings at even distances, without dips and wild seconds
            (:func:`~orchestrator.core.measure.steady.calm.calm`).
        small: share of the level that does not matter.
    """
    n = len(series)
    batch = max(-(-n // POINTS), 1)
    points = series[: n // batch * batch].reshape(-1, batch).mean(axis=1)
    unit = binary_unit(points)
    points = points / unit
    tail = points[len(points) // 2 :]
    # Beside readings that are millions of times as large, a level is nothing that could be divided by.
    level = max(abs(float(np.median(tail))), float(tail.std()), float(np.abs(points).max()) * 1e-6)
    if level == 0 or np.ptp(points) == 0:
        return WarmUp(np.zeros(1), np.ones(1), np.zeros(1, dtype=np.intp), np.zeros(n))
    points = points / level
    noise = _noise(_detrended(points[len(points) // 3 :]))
    grid = Grid.of(len(points))
    found = _weighed(_Candidates.of(points, grid, _noise(_Candidates.of(points, grid, noise).residuals())), small)
    order = np.argsort(found.ends, kind="stable")
    ends = np.minimum(found.ends[order] * batch, n)
    path = unit * level * found.path[np.minimum(np.arange(n) // batch, len(points) - 1)]
    return WarmUp(ends, found.weights[order], found.shapes[order], path, found.tails)


@dataclass(frozen=True)
class _Noise:
    """Autoregression of order one: coefficient, and variance of the innovations."""

    phi: float
    variance: float

    def whitened(self, rows: Values) -> Values:
        """Each row without what its neighbour on the left foretells."""
        white = rows.copy()
        white[..., 1:] -= self.phi * rows[..., :-1]
        white[..., 0] *= math.sqrt(1 - self.phi**2)
        return white

    def transposed(self, row: Values) -> Values:
        """What a row has to be multiplied by for its product with this one, whitened."""
        found = row.copy()
        found[0] *= math.sqrt(1 - self.phi**2)
        found[:-1] -= self.phi * row[1:]
        return found


def _noise(residuals: Values) -> _Noise:
    centred = residuals - residuals.mean()
    power = float(centred @ centred)
    phi = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    # Small-sample bias of the lag-1 correlation: Kendall 1954, Marriott & Pope 1954.
    phi = min(max(phi + (1 + 3 * phi) / len(centred), 0.0), STRONGEST)
    white = _Noise(phi, 1.0).whitened(centred)
    variance = float(white.var())
    # Noise of two kinds (correlated, and rounding on top of it) is no autoregression of order one: what is left of its
    # correlation shows in means of neighbours, whose variance is then too large by this factor.
    groups = white[len(white) % GROUP :].reshape(-1, GROUP).mean(axis=1)
    if len(groups) >= FEWEST_GROUPS and variance > 0:
        variance *= max(GROUP * float(groups.var(ddof=1)) / variance, 1.0)
    return _Noise(phi, variance + (TOLERANCE * (1 - phi)) ** 2)


def _detrended(points: Values) -> Values:
    time = np.arange(len(points)) - (len(points) - 1) / 2
    return np.asarray(points - points.mean() - time * (float(time @ points) / float(time @ time)))


@dataclass(frozen=True)
class _Found:
    ends: Values
    weights: Values
    shapes: NDArray[np.intp]
    path: Values
    tails: Tails


@dataclass(frozen=True)
class _Candidates:
    """All places of the grid, fitted to the points whose neighbours are as alike as the noise says.

    Attributes:
        amplitudes: of both parts of each candidate, a row each.
        errors: of the last one.
        evidence: logarithms of what the candidates weigh.
    """

    points: Values
    grid: Grid
    noise: _Noise
    amplitudes: Values
    errors: Values
    evidence: Values

    @classmethod
    def of(cls, points: Values, grid: Grid, noise: _Noise) -> _Candidates:
        """Fit them."""
        one = noise.whitened(np.ones(len(points)))
        norm = float(one @ one)
        target = noise.whitened(points)
        target = target - one * (float(one @ target) / norm)
        # Only the ones and the target are whitened: of the rows, products are all that is wanted.
        with_one, with_target = (np.einsum("ij,j->i", grid.rows, noise.transposed(row)) for row in (one, target))
        sums = [
            (grid.squares.whitened(noise.phi) - with_one**2 / norm, with_target),
            _ramps(grid.ramps, noise, target, norm),
            _steps(grid.steps, noise, target, norm),
        ]
        squares, products = (np.concatenate(part) / noise.variance for part in zip(*sums, strict=True))
        cross = grid.crosses.whitened(noise.phi)
        paired = grid.second >= 0
        cross[paired] -= with_one[grid.first[paired]] * with_one[grid.second[paired]] / norm
        return cls(points, grid, noise, *_posterior(squares, products, grid, cross / noise.variance))

    def paths(self, which: NDArray[np.intp]) -> tuple[Values, Values]:
        """What each of these candidates adds to the points, and the part of it whose amplitude is known worst."""
        first, second = self.grid.shapes(self.grid.first[which]), self.grid.shapes(self.grid.second[which])
        slow = np.where((self.grid.second[which] >= 0)[:, np.newaxis], second, first)
        return self.amplitudes[which, :1] * first + self.amplitudes[which, 1:] * second, slow

    def residuals(self) -> Values:
        """What the likeliest of all leaves over."""
        one = self.noise.whitened(np.ones(len(self.points)))
        left = self.points - self.paths(np.array([np.argmax(self.evidence)]))[0][0]
        centred: Values = left - float(self.noise.whitened(left) @ one) / float(one @ one)
        return centred


def _weighed(candidates: _Candidates, small: float) -> _Found:
    """Ends with their weights, and the likeliest path that ends in time."""
    evidence, grid, m = candidates.evidence, candidates.grid, len(candidates.points)
    kept = np.flatnonzero(evidence >= evidence.max() + math.log(NEGLIGIBLE))
    kept = kept[np.argsort(-evidence[kept], kind="stable")][:MOST]
    weights = np.exp(evidence[kept] - evidence[kept[0]])
    weights /= weights.sum()
    paths, slow = candidates.paths(kept)
    errors = slow * candidates.errors[kept, np.newaxis]
    ends, shares, shapes = _ends(paths, errors, weights, grid.kinds[kept], small)
    timely = ends[len(kept) : 2 * len(kept)] <= m // 2
    path = paths[int(np.argmax(timely))] if timely.any() else np.zeros(m)
    # A hyperbola's tail adds up to any amount: where one is unlikely but possible it would decide what is left.
    ending = ~np.isin(grid.kinds[kept], (LINE, WAVE, HYPERBOLA))
    # A faint shape stays small from the start, however slow it is: to have ended it has to have faded as well.
    faded = np.abs(paths[:, -1]) <= FADED * np.abs(paths).max(axis=1)
    soon = (ends[len(kept) : 2 * len(kept)] <= ENDED * m) & faded
    tails = Tails.of(paths[ending], errors[ending], weights[ending], soon[ending])
    return _Found(ends, shares, shapes, path, tails)


def _steps(places: NDArray[np.intp], noise: _Noise, target: Values, norm: float) -> tuple[Values, Values]:
    """Squares and products of steps that end before each place, whitened and without their mean, in closed form."""
    phi, rest, head = noise.phi, 1 - noise.phi, 1 - noise.phi**2
    summed = np.cumsum(target)
    with_one = head + (places - 1) * rest**2 - phi * rest
    squares = head + (places - 1) * rest**2 + phi**2 - with_one**2 / norm
    products = math.sqrt(head) * target[0] + rest * (summed[places - 1] - summed[0]) - phi * target[places]
    return squares, products


def _ramps(places: NDArray[np.intp], noise: _Noise, target: Values, norm: float) -> tuple[Values, Values]:
    """The same for ramps ``1 - t/k`` that end at each place k: whitened, they are lines up to it."""
    phi, rest, head = noise.phi, 1 - noise.phi, 1 - noise.phi**2
    k = places.astype(np.float64)
    start, slope = rest - phi / k, -rest / k
    summed, moments = np.cumsum(target), np.cumsum(target * np.arange(len(target)))
    ones, seconds = k * (k + 1) / 2, k * (k + 1) * (2 * k + 1) / 6
    with_one = head + rest * (k * start + slope * ones)
    squares = head + k * start**2 + 2 * start * slope * ones + slope**2 * seconds - with_one**2 / norm
    products = math.sqrt(head) * target[0] + start * (summed[places] - summed[0]) + slope * moments[places]
    return squares, products


def _posterior(squares: Values, products: Values, grid: Grid, cross: Values) -> tuple[Values, Values, Values]:
    """Amplitudes (two columns), the error of the last one, and the log evidence of each candidate."""
    prior = AMPLITUDE**-2
    used, paired = grid.first >= 0, grid.second >= 0
    a, p = np.where(used, squares[grid.first], 0.0) + prior, np.where(used, products[grid.first], 0.0)
    d, q = np.where(paired, squares[grid.second], 0.0) + prior, np.where(paired, products[grid.second], 0.0)
    determinant = a * d - cross**2
    amplitudes = np.stack([d * p - cross * q, a * q - cross * p], axis=1) / determinant[:, np.newaxis]
    errors = np.sqrt(np.where(paired, a, d) / determinant) * used
    evidence = (amplitudes[:, 0] * p + amplitudes[:, 1] * q - np.log(determinant / prior**2)) / 2
    return amplitudes, errors, evidence + grid.priors


def _ends(
    paths: Values, errors: Values, weights: Values, kinds: NDArray[np.intp], small: float
) -> tuple[Values, Values, NDArray[np.intp]]:
    """Where each path becomes small for good, with its amplitude as it is and :data:`SIDE` errors to both sides.

    The three have half of the weight, and a quarter each.
    """
    ends = []
    endless = (kinds == LINE) | (kinds == WAVE)
    for side in (-SIDE, 0.0, SIDE):
        large = np.abs(paths + side * errors) > small
        last = np.where(large.any(axis=1), paths.shape[1] - np.argmax(large[:, ::-1], axis=1), 0)
        ends.append(np.where(endless & (last > 0), paths.shape[1], last).astype(np.float64))
    shares = np.concatenate([weights / 4, weights / 2, weights / 4])
    return np.concatenate(ends), shares, np.tile(kinds, 3)
