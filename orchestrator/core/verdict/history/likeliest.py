"""The likeliest step in a sequence of readings, and the chance of one as clear where there is none.

Readings are a fitted part (a level, a straight line, steps that are known) and independent normal noise of one unknown
variance. The likelihood ratio picks the place whose step takes most off the sum of squares. Seen from the residuals,
every place is a direction, and without a step the residuals point anywhere alike; so the chance that one of all places
fits as well is bounded by the improved Bonferroni inequality: the sum of the chances of each, less those of each
neighbouring pair (Hunter 1976; Worsley 1982, Biometrika 69, 297; for a shift of the mean Worsley 1979, JASA 74, 365).
Neighbouring places are nearly the same direction, so the bound is close.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]

#: A step has at least so many readings on either side: a single one that lies apart is no step yet.
FEWEST_BESIDE = 2
#: Relative to a step's own length: what is left of it that the fitted part does not explain.
_ROUNDING = 1e-9
#: Each sweep lowers the sum of squares or ends the search; it hardly ever takes more than three.
_SWEEPS = 10
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


@dataclass(frozen=True)
class Found:
    """Steps that fit best.

    Attributes:
        places: index of the first reading after each.
        p: at least the chance of such a fit where there is no step.
    """

    places: tuple[int, ...]
    p: float


class Fit:
    """Least squares of a part that is linear in its coefficients.

    Args:
        readings: y.
        places: of steps that are fitted, each the index of the first reading after it.
        line: whether a straight line over the number of the reading is fitted as well.
    """

    def __init__(self, readings: Sequence[float] | Floats, places: Sequence[int] = (), *, line: bool = False) -> None:
        self.readings = np.asarray(readings, dtype=np.float64)
        self.places, self.line = tuple(sorted(places)), line
        n = len(self.readings)
        columns: list[Floats] = [np.ones(n), *(_step(n, place) for place in self.places)]
        if line:
            columns.append(np.arange(n, dtype=np.float64) - (n - 1) / 2)
        self._columns = np.column_stack(columns)
        self._basis, self._upper = np.linalg.qr(self._columns)
        # Twice: once leaves a rounding error of the size of the readings, which steps would then be found in.
        left = self.readings - self._basis @ (self._basis.T @ self.readings)
        self.left: Floats = left - self._basis @ (self._basis.T @ left)
        self.squares = float(self.left @ self.left)
        self.df = n - self._columns.shape[1]

    @property
    def exact(self) -> bool:
        """Whether nothing but rounding is left."""
        return self.squares <= len(self.left) * (1e-12 * max(1.0, float(np.abs(self.readings).max()))) ** 2

    @property
    def criterion(self) -> float:
        """Schwarz' criterion; the place of a step counts as a coefficient of its own (Yao 1988)."""
        n, coefficients = len(self.readings), self._columns.shape[1] + len(self.places)
        if self.exact:
            return -math.inf
        return float(n * math.log(self.squares / n) + coefficients * math.log(n))

    def coefficient(self, number: int) -> tuple[float, float]:
        """One coefficient and its standard error: 0 the level, then the steps by place, then the slope per reading."""
        inverse = np.linalg.inv(self._upper)
        value = float((inverse @ (self._basis.T @ self.readings))[number])
        variance = self.squares / self.df if self.df > 0 else math.inf
        return value, math.sqrt(variance * float(inverse[number] @ inverse[number]))

    def interval(self, number: int, confidence: float) -> tuple[float, float, float]:
        """One coefficient with its interval, the places taken as known."""
        value, error = self.coefficient(number)
        half = float(stdtrit(self.df, 0.5 + confidence / 2)) * error
        return value, value - half, value + half

    def p_of(self, number: int) -> float:
        """Chance of such a coefficient where it is 0 (two-sided)."""
        value, error = self.coefficient(number)
        if error == 0:
            return 0.0 if value else 1.0
        return float(2 * stdtr(self.df, -abs(value) / error))

    def step(self) -> Found | None:
        """The step that would fit best beside what is fitted; ``None`` where there is no room or no noise left."""
        there = self._candidates()
        if self.df < 3 or not len(there.places) or self.exact:
            return None
        cosines = there.cosines(self.squares)
        best = int(np.argmax(cosines))
        inner = there.inner(there.places[:-1], there.places[1:], there.explained[:, :-1], there.explained[:, 1:])
        alike = np.abs(inner) / np.sqrt(there.sizes[:-1] * there.sizes[1:])
        return Found((int(there.places[best]),), _union(float(cosines[best]), self.df, len(there.places), alike))

    def best_place(self) -> int | None:
        """The place of that step alone."""
        there = self._candidates()
        return int(there.places[int(np.argmax(there.cosines(self.squares)))]) if len(there.places) else None

    def pair(self) -> Found | None:
        """Two steps at once that fit best, as of a stretch that lies apart from both its sides.

        One step alone may explain nothing of it. The chance is bounded by the plain Bonferroni inequality.
        """
        there = self._candidates()
        if self.df < 4 or len(there.places) < 2 or self.exact:
            return None
        first, second = np.triu_indices(len(there.places), FEWEST_BESIDE)
        apart = there.places[second] - there.places[first] >= FEWEST_BESIDE
        first, second = first[apart], second[apart]
        inner = there.inner(there.places[first], there.places[second],
                            there.explained[:, first], there.explained[:, second])  # fmt: skip
        sizes = there.sizes[first] + there.sizes[second] - 2 * inner
        usable = sizes > _ROUNDING * len(self.left)
        if not usable.any():
            return None
        gains = np.where(usable, (there.seen[first] - there.seen[second]) ** 2 / np.where(usable, sizes, 1.0), 0.0)
        best = int(np.argmax(gains))
        cosine = math.sqrt(min(float(gains[best]) / self.squares, 1.0))
        p = min(1.0, int(usable.sum()) * _alone(cosine, self.df))
        return Found((int(there.places[first[best]]), int(there.places[second[best]])), p)

    def _candidates(self) -> _Candidates:
        """Steps with room on both sides that are not fitted yet."""
        n = len(self.readings)
        taken = np.array([0, *self.places, n])
        places = np.arange(n)
        room = np.abs(places[:, np.newaxis] - taken[np.newaxis, :]).min(axis=1) >= FEWEST_BESIDE
        # A step is a sum of everything from its place on, so its products with anything are sums from the end.
        explained = np.cumsum(self._basis[::-1], axis=0)[::-1].T
        seen = np.cumsum(self.left[::-1])[::-1]
        sizes = n - places - np.sum(explained * explained, axis=0)
        kept = room & (sizes > _ROUNDING * n)
        return _Candidates(n, places[kept], explained[:, kept], seen[kept], sizes[kept])


@dataclass(frozen=True)
class _Candidates:
    """Steps less what the fitted part explains of them.

    Attributes:
        n: readings.
        places: of each step.
        explained: its coordinates along the fitted part, a column each.
        seen: its product with what is left of the readings.
        sizes: its squared length.
    """

    n: int
    places: NDArray[np.intp]
    explained: Floats
    seen: Floats
    sizes: Floats

    def cosines(self, squares: float) -> Floats:
        """Of the angle between each step and what is left of the readings, whose squares have this sum."""
        found: Floats = np.minimum(np.abs(self.seen) / np.sqrt(self.sizes * max(squares, 1e-300)), 1.0)
        return found

    def inner(self, one: NDArray[np.intp], two: NDArray[np.intp], of_one: Floats, of_two: Floats) -> Floats:
        """Products of steps with later ones."""
        product: Floats = self.n - np.maximum(one, two) - np.sum(of_one * of_two, axis=0)
        return product


def refined(readings: Sequence[float] | Floats, places: Sequence[int], *, line: bool) -> tuple[int, ...]:
    """The same number of steps at the places where they fit best, each searched given the others until none moves."""
    found = list(places)
    for _ in range(_SWEEPS if len(found) > 1 else 1):
        before = found.copy()
        for number in range(len(found)):
            others = [place for at, place in enumerate(found) if at != number]
            best = Fit(readings, others, line=line).best_place()
            found[number] = found[number] if best is None else best
        if found == before:
            break
    return tuple(sorted(found))


def places_not_excluded(fit: Fit, place: int, confidence: float) -> tuple[int, ...]:
    """Where a step may lie instead of at its likeliest place: a confidence set that is one stretch.

    A place is excluded where, with the step there, another step still fits too well beside it: the likelihood ratio
    inverted (Cox & Spjotvoll 1982; Worsley 1986, Biometrika 73, 91). Variance and level need not be known. It is
    followed to both sides from the likeliest place on.
    """
    others = [each for each in fit.places if each != place]
    ends = sorted([0, *others, len(fit.readings)])
    low = max(end for end in ends if end <= place) + 1
    high = min(end for end in ends if end > place) - 1
    kept = [place]
    for side in (range(place - 1, low - 1, -1), range(place + 1, high + 1)):
        for other in side:
            beside = Fit(fit.readings, [*others, other], line=fit.line).step()
            if beside is not None and beside.p < 1 - confidence:
                break
            kept.append(other)
    return tuple(sorted(kept))


def _step(n: int, place: int) -> Floats:
    return (np.arange(n) >= place).astype(np.float64)


def _alone(cosine: float, df: int) -> float:
    """Chance that a random direction of ``df`` dimensions lies so near to a given one: a t-test in other words."""
    if cosine >= 1:
        return 0.0
    return float(2 * stdtr(df - 1, -cosine * math.sqrt((df - 1) / (1 - cosine * cosine))))


def _union(cosine: float, df: int, places: int, alike: Floats) -> float:
    """Bound on the chance that it lies so near to any of several, of which neighbours have the cosines ``alike``."""
    if cosine >= 1:
        return 0.0
    half = np.arccos(np.clip(alike, 0.0, 1.0)) / 2
    both = 2 / math.pi * (_beyond(cosine, df, half) + _beyond(cosine, df, math.pi / 2 - half))
    return float(min(1.0, max(0.0, places * _alone(cosine, df) - float(both.sum()))))


def _beyond(cosine: float, df: int, start: Floats) -> Floats:
    """Integral over the angle in the plane of two directions, from ``start`` to where even a unit length is too short.

    The part of a random direction that lies in a plane is longer than r with chance (1 - r^2)^((df - 2) / 2).
    """
    end = math.acos(cosine)
    width = np.maximum(end - start, 0.0)
    if not width.any():
        return width
    angles = start[:, np.newaxis] + width[:, np.newaxis] * (_NODES + 1) / 2
    inside = np.clip(1 - (cosine / np.cos(np.minimum(angles, end))) ** 2, 0.0, 1.0)
    sums: Floats = width / 2 * (inside ** ((df - 2) / 2) @ _WEIGHTS)
    return sums
