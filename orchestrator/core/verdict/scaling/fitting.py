"""The laws of scaling fitted to throughputs by weighted least squares, within what their parameters can mean.

Residuals are distances of the throughput from the law in units of its standard error, so that with errors in proportion
to the throughputs they are relative, and with equal errors it is the ordinary nonlinear fit.

The Universal Scalability Law (Gunther 2007) is a straight line in other parameters: ``N / X = u + b N + c N (N - 1)``
with ``1 / gamma = u + b``, ``sigma = b / (u + b)``, ``kappa = c / (u + b)``. There its limits (0 <= sigma <= 1,
kappa >= 0, gamma > 0) are ``u, b, c >= 0``. Amdahl's law is the case c = 0, proportional growth that with b = 0 too.
Gustafson's law is a straight line of X itself: ``X = u + b N`` with ``gamma = u + b`` and ``sigma = u / (u + b)``.

The least squares are SciPy's (dogleg within bounds: Voglis & Lagaris 2004), begun where the straight line lies.
Intervals are those of the likelihood: all values that some other parameters within the limits bring within ``s^2 F`` of
the best fit (Seber & Wild 2003, ch. 5). Since a limit holds for the best fit as well, an interval is never empty, and
one at a limit is one-sided and rather too wide than too narrow. The likelihood is taken from the fit's linearisation in
u, b, c: there the law bends only as much as the throughputs themselves are uncertain, which is little, however badly
sigma and kappa are known.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import brentq, least_squares, nnls

from orchestrator.core.verdict.scaling.laws import Values
from orchestrator.core.verdict.scaling.results import Bounds, LawName

#: Parameters of each law, as columns of its straight line.
COLUMNS: dict[LawName, int] = {"proportional": 1, "amdahl": 2, "gustafson": 2, "universal": 3}
#: Weight of the equation that holds a parameter, over the others: its square still fits a double (Lawson & Hanson 1974,
#: ch. 22).
_HOLD = 1e6
#: A ratio beyond this many times its estimate, or this times its unit, has no upper limit by the data.
_ENDLESS = 1e6
#: Gamma is at most the throughput per unit of the size that does best, over this; more cannot be told from infinite.
_FINITE = 1e-9
#: Bounds are found to this share of themselves.
_PRECISE = 1e-6


@dataclass(frozen=True)
class Points:
    """Sizes and throughputs.

    Attributes:
        sizes: numbers of threads or vCPUs, positive.
        throughput: operations per second at each.
        errors: standard error of each; where ``df`` is ``None`` only how large they are against each other counts.
        df: degrees of freedom of the errors; ``None`` where nothing but the law's misfit tells how large they are.
    """

    sizes: Values
    throughput: Values
    errors: Values
    df: float | None


@dataclass(frozen=True)
class Scale:
    """How large the squares of the residuals are by chance: variance in units of the errors, degrees of freedom."""

    variance: float
    df: float


@dataclass(frozen=True)
class Fit:
    """A law fitted.

    Attributes:
        law: which.
        points: to what.
        line: the parameters u, b, c as far as the law has them.
        squares: sum of the squared residuals.
    """

    law: LawName
    points: Points
    line: Values
    squares: float

    @property
    def per_unit(self) -> float:
        """Throughput of one: gamma."""
        return _gamma(self.law, self.line)

    @property
    def sigma(self) -> float:
        """The serial share, 0 where the law has none."""
        if self.law == "proportional":
            return 0.0
        return float(self.line[0 if self.law == "gustafson" else 1] / (self.line[0] + self.line[1]))

    @property
    def kappa(self) -> float:
        """The cost of exchange, 0 where the law has none."""
        return float(self.line[2] / (self.line[0] + self.line[1])) if self.law == "universal" else 0.0

    def at(self, sizes: Sequence[int] | Values) -> Values:
        """Throughput that the law says."""
        return _curve(self.law, np.asarray(sizes, dtype=np.float64), self.line)

    @property
    def misfit(self) -> float:
        """Largest distance of a point from the law, as a share of the point."""
        points = self.points
        return float(np.max(np.abs(points.throughput - self.at(points.sizes)) / points.throughput))

    @property
    def is_at_limit(self) -> bool:
        """Whether a parameter stands at the limit of what it can mean."""
        return bool(np.any(self.line <= _least(self.law, self.points)))

    @property
    def freedom(self) -> int:
        """Points less parameters."""
        return len(self.points.sizes) - COLUMNS[self.law]

    @cached_property
    def _linear(self) -> tuple[Values, Values, Values]:
        """The fit's linearisation about its best point, as triangular matrix, right side and unit of each parameter."""
        slope = _slope(self.law, self.points.sizes, self.line) / self.points.errors[:, None]
        residual = (self.points.throughput - self.at(self.points.sizes)) / self.points.errors
        units = 1 / np.sqrt(np.einsum("ij,ij->j", slope, slope))
        orthogonal, triangle = np.linalg.qr(slope * units)
        return triangle, orthogonal.T @ residual + triangle @ (self.line / units), units

    def held(self, row: Values, value: float) -> float:
        """By how much the least sum of squares within the limits grows where ``row @ line == value``."""
        matrix, right, units = self._linear
        equation = row * units
        weight = _HOLD / float(np.max(np.abs(equation)))
        k = len(units)
        left, target = np.empty((k + 1, k)), np.empty(k + 1)
        left[:k], left[k] = matrix, weight * equation
        target[:k], target[k] = right, weight * value
        solution, _ = nnls(left, target)
        best = right - matrix @ (self.line / units)
        gap = right - matrix @ solution
        return float(gap @ gap - best @ best)

    def errors(self, scale: Scale) -> tuple[float, float | None, float | None]:
        """Standard errors of gamma, sigma and kappa by linearisation; ``None`` where the law has no such parameter."""
        matrix, _, units = self._linear
        covariance = scale.variance * np.linalg.pinv(matrix.T @ matrix) * np.outer(units, units)
        gradients = _gradients(self.law, self.line)
        found = [math.sqrt(max(0.0, float(g @ covariance @ g))) for g in gradients]
        return (found[0], *(found[n] if n < len(found) else None for n in (1, 2)))  # type: ignore[return-value]


def fit(law: LawName, points: Points) -> Fit:
    """Fit a law within its limits.

    Raises:
        ValueError: when there are fewer points than parameters.
    """
    if len(points.sizes) < COLUMNS[law]:
        raise ValueError(f"{len(points.sizes)} points cannot tell the {COLUMNS[law]} parameters of the law {law}")
    line, squares = _least_squares(law, points, limited=True)
    return Fit(law, points, line, squares)


def without_limits(points: Points) -> Fit | None:
    """The Universal Scalability Law as if its parameters could be negative; ``None`` where that leads nowhere."""
    if not np.all(_basis("universal", points.sizes) @ _start("universal", points, limited=False) > 0):
        return None
    line, squares = _least_squares("universal", points, limited=False)
    if line[0] + line[1] <= 0 or not np.all(np.isfinite(line)):
        return None
    return Fit("universal", points, line, squares)


def _least(law: LawName, points: Points) -> Values:
    """The lower limits of u, b, c: none of them is negative, and gamma is finite."""
    least = np.zeros(COLUMNS[law])
    least[0] = _FINITE * float(np.min(points.sizes / points.throughput))
    return least


def _least_squares(law: LawName, points: Points, *, limited: bool) -> tuple[Values, float]:
    start = _start(law, points, limited=limited)
    if law in {"gustafson", "proportional"}:  # straight lines of X itself: there is nothing to go on from
        gap = (points.throughput - _curve(law, points.sizes, start)) / points.errors
        return start, float(gap @ gap)
    units = np.where(start != 0, np.abs(start), np.max(np.abs(start)) * _typical(law, points))

    low = _least(law, points) if limited else np.full(len(start), -np.inf)

    def residual(scaled: Values) -> Values:
        return np.asarray((_curve(law, points.sizes, scaled * units) - points.throughput) / points.errors)

    def slope(scaled: Values) -> Values:
        return _slope(law, points.sizes, scaled * units) * units / points.errors[:, None]

    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # steps that leave all bounds are taken back
        found = least_squares(
            residual,
            np.maximum(start, low) / units,
            slope,
            bounds=(low / units, np.inf),
            method="dogbox",
            xtol=1e-12,
            ftol=1e-14,
            gtol=1e-12,
        )
    return np.asarray(found.x * units), float(2 * found.cost)


def _typical(law: LawName, points: Points) -> Values:
    """How large b and c are against u where each counts as much at the largest size."""
    n = float(np.max(points.sizes))
    return np.array([1.0, 1 / n, 1 / (n * max(1.0, n - 1))])[: COLUMNS[law]]


def _start(law: LawName, points: Points, *, limited: bool) -> Values:
    """The straight line, weighted by the errors to first order."""
    basis = _basis(law, points.sizes)
    if law == "proportional":
        n, weight = points.sizes, 1 / points.errors**2
        return np.array([(weight * n) @ n / ((weight * n) @ points.throughput)])
    if law == "gustafson":
        left, right = basis / points.errors[:, None], points.throughput / points.errors
    else:
        y = points.sizes / points.throughput
        weight = points.sizes / (y**2 * points.errors)
        left, right = basis * weight[:, None], y * weight
    norm = np.sqrt(np.einsum("ij,ij->j", left, left))
    solution = nnls(left / norm, right)[0] if limited else np.linalg.lstsq(left / norm, right, rcond=None)[0]
    return np.asarray(solution / norm)


def _basis(law: LawName, n: Values) -> Values:
    return np.column_stack([np.ones_like(n), n, n * (n - 1)])[:, : COLUMNS[law]]


def _curve(law: LawName, n: Values, line: Values) -> Values:
    straight = _basis(law, n) @ line
    return np.asarray(straight if law == "gustafson" else n / straight)


def _slope(law: LawName, n: Values, line: Values) -> Values:
    """Derivative of the curve by u, b, c."""
    basis = _basis(law, n)
    return basis if law == "gustafson" else np.asarray(-(n / (basis @ line) ** 2)[:, None] * basis)


def _gamma(law: LawName, line: Values) -> float:
    total = float(line[0] + (line[1] if len(line) > 1 else 0.0))
    return total if law == "gustafson" else 1 / total


def _gradients(law: LawName, line: Values) -> list[Values]:
    """Derivatives of gamma, sigma and kappa by u, b, c."""
    one = np.array([1.0, 1.0, 0.0])[: len(line)]
    total = float(one @ line)
    if law == "proportional":
        return [np.array([-1 / total**2])]
    u, b = float(line[0]), float(line[1])
    if law == "gustafson":
        return [one, np.array([b, -u]) / total**2]
    found = [-one / total**2, np.array([-b, u, 0.0])[: len(line)] / total**2]
    if law == "universal":
        found.append(np.array([0.0, 0.0, 1.0]) / total - one * float(line[2]) / total**2)
    return found


# ------------------------------------------------------------------------------------------------------- intervals


@dataclass(frozen=True)
class Quantity:
    """A quantity of a law as ``above @ line / below @ line``; ``below`` is ``None`` for a sum of parameters alone."""

    above: Values
    below: Values | None = None

    def of(self, line: Values) -> float:
        """Its value; infinite where it has none."""
        top = float(self.above @ line)
        if self.below is None:
            return top
        bottom = float(self.below @ line)
        return top / bottom if bottom > 0 else math.inf

    def squares(self, found: Fit, value: float) -> float:
        """By how much the sum of squares grows where it has this value."""
        if self.below is None:
            return found.held(self.above, value)
        return found.held(self.above - value * self.below, 0.0)


def bounds(found: Fit, what: Quantity, allowed: float, most: float = math.inf) -> tuple[float, float | None]:
    """Likelihood interval of a quantity that cannot be negative.

    Args:
        found: the fit.
        what: the quantity.
        allowed: by so much the sum of squares may exceed the best.
        most: the largest value it can have.

    Returns:
        Low and high; high is ``None`` where the data set none.
    """
    value = what.of(found.line)

    def beyond(at: float) -> float:
        return what.squares(found, at) - allowed

    if not math.isfinite(value):
        return _low(beyond, _ENDLESS), None
    return _low(beyond, value), _high(beyond, value, _unit(found, what), most)


def _unit(found: Fit, what: Quantity) -> float:
    """A step to begin a search with, where the estimate itself is 0."""
    n = float(np.max(found.points.sizes))
    scale = np.array([1.0, 1 / n, 1 / n**2])[: len(found.line)]
    total = float(found.line @ np.ones_like(found.line))
    below = 1.0 if what.below is None else 1 / total
    return float(np.abs(what.above) @ scale) * total * below * 1e-3


def _low(beyond: Callable[[float], float], value: float) -> float:
    if value <= 0 or beyond(0.0) <= 0:
        return 0.0
    return _root(beyond, 0.0, value)


def _high(beyond: Callable[[float], float], value: float, unit: float, most: float) -> float | None:
    inside, step = value, max(value * 0.05, unit)
    while True:
        outside = min(inside + step, most)
        if beyond(outside) > 0:
            return _root(beyond, inside, outside)
        if outside >= most:
            return most
        if outside > _ENDLESS * max(value, unit):
            return None
        inside, step = outside, step * 4


def _root(beyond: Callable[[float], float], one: float, other: float) -> float:
    """Where the sign changes; the nearer end where rounding hides the change."""
    first, second = beyond(one), beyond(other)
    if first * second > 0:
        return other if abs(second) < abs(first) else one
    return float(brentq(beyond, one, other, xtol=_PRECISE * max(abs(one), abs(other)), rtol=_PRECISE))


_U, _B, _C = np.eye(3)


def parameter_bounds(found: Fit, scale: Scale, allowed: float) -> tuple[Bounds, Bounds | None, Bounds | None]:
    """Gamma, sigma and kappa with their intervals; ``None`` where the law has no such parameter."""
    k = len(found.line)
    total = (_U + _B)[:k]
    errors = found.errors(scale)
    low, high = bounds(found, Quantity(total), allowed)
    gamma = (low, high) if found.law == "gustafson" else (1 / high if high else 0.0, 1 / low if low > 0 else None)
    per_unit = Bounds(value=found.per_unit, low=gamma[0], high=gamma[1], error=errors[0])
    if found.law == "proportional":
        return per_unit, None, None
    share = Quantity((_U if found.law == "gustafson" else _B)[:k], total)
    low, high = bounds(found, share, allowed, most=1.0)
    sigma = Bounds(value=found.sigma, low=low, high=high, error=errors[1])
    if found.law != "universal":
        return per_unit, sigma, None
    low, high = bounds(found, Quantity(_C, total), allowed)
    return per_unit, sigma, Bounds(value=found.kappa, low=low, high=high, error=errors[2])


def peak_bounds(found: Fit, allowed: float) -> tuple[float, float | None]:
    """Interval of the size with the largest throughput, sqrt(u / c); high is ``None`` where no peak need exist."""
    low, high = bounds(found, Quantity(_C, _U), allowed)
    nearest = max(1.0, 1 / math.sqrt(high)) if high is not None and high > 0 else 1.0
    return nearest, (max(1.0, 1 / math.sqrt(low)) if low > 0 else None)


def limit_bounds(found: Fit, allowed: float) -> tuple[float, float | None]:
    """Interval of the throughput that Amdahl's law never exceeds, 1 / b."""
    low, high = bounds(found, Quantity(_B[: len(found.line)]), allowed)
    return (1 / high if high else 0.0), (1 / low if low > 0 else None)
