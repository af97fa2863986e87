"""Throughput series with known truth: one value a second, of trials that settle and of trials that never do.

Every series is a level, times what the warm-up still adds or takes, times periodic slowdowns, plus noise; then readings
are spoilt as logs are. The truth comes from the model that drew it, never from the values: the long-run mean, the first
second from which on the warm-up is less than one percent away, and the standard deviation of a mean over so many
steady seconds.

What belongs to the long-run mean: periodic dips and isolated slow or fast seconds, which are the workload's real cost.
What does not: the one absurd value of a counter that was reset, and readings that are missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

SAFE = 0.01
"""From where the warm-up stays less than this share away from the steady mean, a cut is safe."""
STEADY_SHARE = 0.8
"""Of the series that are drawn without naming a family."""
SHORTEST, USUAL, LONGEST = 60, 300, 1800
SHORT_SHARE = 0.05
QUIETEST, LOUDEST = 0.003, 0.06
"""Standard deviation of a second, as a share of the level."""
WITH_EXTRAS = 0.2
"""Of the series of other families, so many have one of the extras as well."""
PHASES = 100
"""Phases, evenly spread, for the variance that periodic dips of unknown phase add to a mean."""

WARM_UPS = ("none", "exponential up", "exponential down", "ramp", "step", "two time constants", "overshoot", "ringing")
NOISES = ("white", "AR .3", "AR .5", "AR .7", "AR .9", "heavy tails", "multiplicative")
EXTRAS = ("periodic dips", "outlier seconds", "gaps", "rounding", "counter reset")
NEVER_STEADY = (
    "drift", "slow periodic", "bistable", "late step", "unfinished warm-up", "growing variance", "too short",
)  # fmt: skip
FAMILIES: tuple[str, ...] = (*WARM_UPS, *EXTRAS, *NEVER_STEADY)
BEYOND = ("late exponential", "logistic", "hyperbola")
"""Warm-ups that practice shows as well; they are drawn only where they are asked for by name."""


@dataclass(frozen=True)
class Truth:
    """What is known of a series.

    Attributes:
        family: which of :data:`FAMILIES` was asked for or drawn.
        warm_up, noise: which of :data:`WARM_UPS` and :data:`NOISES`.
        steady: whether there is a steady state that this series shows.
        mean: long-run mean; ``None`` when never steady.
        end: index of the first safe second; ``None`` when never steady.
        sd_of_mean: standard deviation of the mean of so many steady seconds, in the unit of the values; ``None`` when
            never steady.
        kind: why never steady; ``None`` when steady.
        extras: which of :data:`EXTRAS` the series has.
    """

    family: str
    warm_up: str
    noise: str
    steady: bool
    mean: float | None
    end: int | None
    sd_of_mean: Callable[[int], float] | None
    kind: str | None
    extras: tuple[str, ...] = ()


def series(rng: np.random.Generator, family: str | None = None, length: int | None = None) -> tuple[Values, Truth]:
    """Draw a series.

    Args:
        rng: where all chance comes from.
        family: one of :data:`FAMILIES` or :data:`BEYOND`; without it four in five are steady ones.
        length: seconds, at least 60; without it mostly 300 to 1800.
    """
    if family is None:
        families = FAMILIES[: -len(NEVER_STEADY)] if rng.random() < STEADY_SHARE else NEVER_STEADY
        family = str(rng.choice(families))
    kind = family if family in NEVER_STEADY else None
    n = length or _length(rng, kind)
    level = float(np.exp(rng.uniform(np.log(20), np.log(1e6))))
    noise = _noise(rng)
    extras = _extras(rng, family)
    warm_up, transient = _warm_up(rng, family, n)
    dips = _dips(rng, n) if "periodic dips" in extras else None
    outliers = _Outliers(rng) if "outlier seconds" in extras else None
    slowdowns = np.ones(n) if dips is None else dips.path(rng, n)
    signal = (1 + transient) * slowdowns * (1 + _misbehaviour(rng, kind, n))
    wobble = noise.draw(rng, n) * (np.linspace(1, rng.uniform(3, 8), n) if kind == "growing variance" else 1.0)
    values = signal * (1 + wobble) if noise.multiplies else signal + wobble
    if outliers is not None:
        values = values + outliers.draw(rng, n)
    step = noise.deviation * rng.uniform(0.3, 1.5) if "rounding" in extras else 0.0
    values = _spoilt(rng, level * values, extras, level * step)
    if kind is not None:
        return values, Truth(family, warm_up, noise.name, False, None, None, None, kind, extras)
    model = _Model(level, noise, dips, outliers, step)
    unsafe = np.flatnonzero(np.abs(transient) > SAFE)
    end = int(unsafe[-1]) + 1 if len(unsafe) else 0
    return values, Truth(family, warm_up, noise.name, True, model.mean, end, model.sd_of_mean, None, extras)


def _length(rng: np.random.Generator, kind: str | None) -> int:
    if kind == "too short":
        return int(rng.integers(SHORTEST, 181))
    if kind is None and rng.random() < SHORT_SHARE:
        return int(rng.integers(SHORTEST, USUAL))
    return int(USUAL + (LONGEST - USUAL) * math.sqrt(rng.random()))  # long ones more often


def _extras(rng: np.random.Generator, family: str) -> tuple[str, ...]:
    if family in EXTRAS:
        return (family,)
    return (str(rng.choice(EXTRAS)),) if rng.random() < WITH_EXTRAS else ()


@dataclass(frozen=True)
class _Noise:
    """Noise around one; ``deviation`` is its marginal standard deviation, ``phi`` the correlation of neighbours."""

    name: str
    deviation: float
    phi: float
    multiplies: bool = False

    def draw(self, rng: np.random.Generator, n: int) -> Values:
        if self.name == "heavy tails":
            return np.asarray(rng.standard_t(3, n) / math.sqrt(3) * self.deviation)
        plain = _autoregression(rng, self.phi, n)
        if not self.multiplies:
            return plain * self.deviation
        sigma2 = math.log1p(self.deviation**2)
        return np.asarray(np.expm1(math.sqrt(sigma2) * plain - sigma2 / 2))

    def covariance(self, lags: Values) -> Values:
        """Exact autocovariance; of lognormal noise with a normal AR(1) in the exponent: exp(sigma^2 phi^k) - 1."""
        powers = self.phi**lags
        if self.multiplies:
            return np.asarray(np.expm1(math.log1p(self.deviation**2) * powers))
        return np.asarray(self.deviation**2 * powers)


def _noise(rng: np.random.Generator) -> _Noise:
    name = str(rng.choice(NOISES))
    smallest, largest = np.log(QUIETEST), np.log(LOUDEST)
    deviation = float(np.exp(smallest + (largest - smallest) * rng.beta(1.2, 1.8)))  # median about 1 %
    if name == "multiplicative":
        return _Noise(name, deviation, float(rng.choice([0.0, 0.5])), multiplies=True)
    return _Noise(name, deviation, float(name[3:]) if name.startswith("AR") else 0.0)


def _autoregression(rng: np.random.Generator, phi: float, n: int) -> Values:
    """A stationary AR(1) of variance one."""
    shocks = rng.standard_normal(n)
    if phi == 0:
        return shocks
    scale, value = math.sqrt(1 - phi * phi), float(shocks[0])
    found = [value]
    for shock in shocks[1:].tolist():
        value = phi * value + scale * shock
        found.append(value)
    return np.array(found)


@dataclass(frozen=True)
class _Dips:
    """Slowdowns by the share ``depth`` for ``width`` seconds every ``period`` seconds, each up to ``jitter`` late."""

    period: float
    width: float
    depth: float
    jitter: float

    @property
    def mean(self) -> float:
        return 1 - self.depth * self.width / self.period

    def path(self, rng: np.random.Generator, n: int) -> Values:
        """One value a second: the mean over that second of what is left."""
        return np.asarray(self.paths(rng, n, rng.random((1, 1)))[0], dtype=np.float64)

    def paths(self, rng: np.random.Generator, n: int, phases: Values) -> Values:
        cycles, count = int(n / self.period) + 3, len(phases)
        starts = (np.arange(cycles) - 1 + phases) * self.period
        starts = starts + rng.uniform(0, self.jitter, starts.shape)
        edges = np.arange(n + 1, dtype=np.float64)
        spent = np.zeros((count, n + 1))
        for cycle in range(cycles):
            spent += np.clip(edges - starts[:, cycle : cycle + 1], 0, self.width)
        return 1 - self.depth * np.diff(spent, axis=1)

    def variance_of_mean(self, n: int) -> float:
        """Over n seconds: what the unknown phase adds."""
        return float(self._sample(n).mean(axis=1).var())

    def products(self, n: int) -> Values:
        """Mean product of two seconds at each lag."""
        power = np.abs(np.fft.rfft(self._sample(n), 2 * n, axis=1)) ** 2
        return np.asarray(np.fft.irfft(power.mean(axis=0), 2 * n)[:n] / np.arange(n, 0, -1))

    def _sample(self, n: int) -> Values:
        phases = (np.arange(PHASES)[:, np.newaxis] + 0.5) / PHASES
        return self.paths(np.random.default_rng(20), n, phases)


def _dips(rng: np.random.Generator, n: int) -> _Dips:
    """Every 20 to 120 s, at least five times in the series; a third of them not quite regular."""
    period = rng.uniform(min(20, n / 5), min(120, n / 5)) if n > 100 else n / 5
    width = min(rng.uniform(2, 5), period / 4)
    return _Dips(float(period), float(width), float(rng.uniform(0.3, 0.7)), 0.0 if rng.random() < 2 / 3 else 1.0)


class _Outliers:
    """Isolated seconds, one to five in a thousand, that are slower or faster by 20 to 60 percent of the level."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rate = float(rng.uniform(0.001, 0.005))
        self.sign = -1.0 if rng.random() < 0.7 else 1.0

    def draw(self, rng: np.random.Generator, n: int) -> Values:
        return np.where(rng.random(n) < self.rate, self.sign * rng.uniform(0.2, 0.6, n), 0.0)

    @property
    def mean(self) -> float:
        return self.rate * self.sign * 0.4

    @property
    def variance(self) -> float:
        return self.rate * (0.4**2 + 0.4**2 / 12) - self.mean**2


@dataclass(frozen=True)
class _Model:
    """The steady part's exact moments."""

    level: float
    noise: _Noise
    dips: _Dips | None
    outliers: _Outliers | None
    step: float
    known: dict[int, float] = field(default_factory=dict)

    @property
    def mean(self) -> float:
        slow = 1.0 if self.dips is None else self.dips.mean
        return self.level * (slow + (0.0 if self.outliers is None else self.outliers.mean))

    def sd_of_mean(self, n: int) -> float:
        """Var(mean) = sum over lags of (n - |k|) times the autocovariance, over n squared."""
        if n not in self.known:
            self.known[n] = self.level * math.sqrt(self._variance(n))
        return self.known[n]

    def _variance(self, n: int) -> float:
        lags = np.arange(n, dtype=np.float64)
        covariance = self.noise.covariance(lags)
        added = self.step**2 / 12 / n
        if self.outliers is not None:
            added += self.outliers.variance / n
        if self.dips is not None:
            added += self.dips.variance_of_mean(n)
            covariance = covariance * self.dips.products(n) if self.noise.multiplies else covariance
        weights = (n - lags) * np.where(lags > 0, 2, 1)
        return float(weights @ covariance) / n**2 + added


def _warm_up(rng: np.random.Generator, family: str, n: int) -> tuple[str, Values]:
    """Which, and the share of the level that it adds at each second."""
    name = family if family in {*WARM_UPS, *BEYOND} else str(rng.choice(WARM_UPS))
    if family in {"unfinished warm-up", "too short"}:
        return _long_warm_up(rng, family, n)
    if family in NEVER_STEADY and rng.random() < 0.5:
        name = "none"
    if name == "none":
        return name, np.zeros(n)
    size = float(np.exp(rng.uniform(np.log(0.03), np.log(0.6))))
    # Most warm-ups are short; none is longer than two fifths of the series.
    longest = 0.4 if family not in NEVER_STEADY else 0.2
    return name, _transient(rng, name, size, max(longest * n * rng.random() ** 2, 1.0), n)


def _transient(rng: np.random.Generator, name: str, size: float, lasts: float, n: int) -> Values:
    """A warm-up of the given size that comes to within one percent for good after ``lasts`` seconds."""
    fine = np.linspace(0, 40, 40_001)
    unit = _unit(rng, name)
    beyond = np.flatnonzero(np.abs(size * unit(fine)) > SAFE)
    scale = float(fine[beyond[-1]]) if len(beyond) else 1.0
    seconds = np.arange(n, dtype=np.float64) + 0.5
    return np.asarray(size * unit(seconds * scale / lasts))


def _unit(rng: np.random.Generator, name: str) -> Callable[[Values], Values]:
    """A transient of size one that is all but over at 40."""
    sign = {"exponential up": -1.0, "exponential down": 1.0}.get(name, -1.0 if rng.random() < 0.7 else 1.0)
    slow, share = rng.uniform(3, 8), rng.uniform(0.15, 0.5)
    beyond, turns = rng.uniform(0.2, 0.8), rng.uniform(1.5, 3.0)
    delay = share * 10  # of what is drawn already, so that every other series stays what it was
    shapes: dict[str, Callable[[Values], Values]] = {
        "exponential up": lambda t: np.exp(-t),
        "exponential down": lambda t: np.exp(-t),
        "ramp": lambda t: np.clip(1 - t, 0, None),
        "step": lambda t: np.where(t < 1, 1.0, 0.0),
        "two time constants": lambda t: (1 - share) * np.exp(-t) + share * np.exp(-t / slow),
        # starts low, rises beyond the level, and decays to it
        "overshoot": lambda t: (1 + beyond) * np.exp(-t) - beyond * np.exp(-t / slow),
        # one swing that can be seen, hardly a second
        "ringing": lambda t: np.exp(-t) * np.cos(turns * t),
        "late exponential": lambda t: np.exp(-np.clip(t - delay, 0, None)),
        "logistic": lambda t: np.exp(-np.logaddexp(0, t - delay)),
        "hyperbola": lambda t: 1 / (1 + 2 * t),
    }
    return lambda t: sign * shapes[name](t)


def _long_warm_up(rng: np.random.Generator, family: str, n: int) -> tuple[str, Values]:
    size = float(rng.uniform(0.1, 0.6))
    sign = -1.0 if rng.random() < 0.8 else 1.0
    seconds = np.arange(n, dtype=np.float64) + 0.5
    if family == "too short":
        name = str(rng.choice(WARM_UPS[1:5]))
        return name, _transient(rng, name, size, float(rng.uniform(0.65, 0.95)) * n, n)
    if rng.random() < 0.3:
        return "ramp", sign * size * (1 - seconds / (n * rng.uniform(1.2, 2.5)))
    return "exponential", sign * size * np.exp(-seconds / (n * rng.uniform(0.4, 1.5)))


def _misbehaviour(rng: np.random.Generator, kind: str | None, n: int) -> Values:
    """What never settles, as a share of the level."""
    time = np.arange(n) / n
    sign = -1.0 if rng.random() < 0.5 else 1.0
    if kind == "drift":
        return np.asarray(sign * rng.uniform(0.05, 0.2) * (time - 0.5))
    if kind == "slow periodic":
        return np.asarray(rng.uniform(0.03, 0.15) * np.sin(2 * np.pi * (time / rng.uniform(0.34, 1.1) + rng.random())))
    if kind == "late step":
        return np.asarray(sign * rng.uniform(0.04, 0.3) * (time >= rng.uniform(0.5, 0.9)))
    if kind == "bistable":
        return -rng.uniform(0.05, 0.3) * _switching(rng, n)
    return np.zeros(n)


def _switching(rng: np.random.Generator, n: int) -> Values:
    """Zeros and ones that dwell for exponential times; switches at least twice, and is in each at least a sixth."""
    dwell = max(float(rng.uniform(0.05, 0.2)) * n, 15.0)
    while True:
        state, path = float(rng.integers(2)), np.zeros(0)
        while len(path) < n:
            path = np.append(path, np.full(1 + int(rng.exponential(dwell)), state))
            state = 1 - state
        path = path[:n]
        if np.count_nonzero(np.diff(path)) >= 2 and 1 / 6 <= path.mean() <= 5 / 6:
            return path


def _spoilt(rng: np.random.Generator, values: Values, extras: tuple[str, ...], step: float) -> Values:
    """What logs do to a series."""
    n, level = len(values), float(np.median(values))
    if step > 0:
        values = np.round(values / step) * step
    if "gaps" in extras:
        for _ in range(int(rng.integers(1, 2 + n // 100))):
            start = int(rng.integers(0, n))
            values[start : start + int(rng.integers(1, 11))] = np.nan
    if "counter reset" in extras:
        place = int(rng.integers(0, n))
        absurd = -rng.uniform(1, 2 + place) if rng.random() < 0.5 else np.exp(rng.uniform(np.log(20), np.log(1e6)))
        values[place] = level * absurd
    return values
