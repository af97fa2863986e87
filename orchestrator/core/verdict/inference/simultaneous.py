"""Several intervals that are to hold together: critical values of their joint distribution.

All of them divide by the same estimate of the scatter, so they are not independent; what Bonferroni's inequality gives
away is computed here instead, by quadrature over the common part and over the estimated scatter. Two families:

- every two shapes of each load: the studentised range (Tukey 1953), for unequal errors as Kramer (1956) has it, which
  errs on the safe side (Hayter 1984). Whatever is then picked out, such as the largest mean, is covered.
- one shape against each other one, on one side: Dunnett 1955 (JASA 50, 1096), with correlation 1/2 as of equal errors.
  From it follow the comparisons with the best (Hsu 1981, Ann. Statist. 9, 1026; 1984, ibid. 12, 1136).

Several loads measured in the same blocks share one estimate of the scatter and are covered jointly.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, stdtr, stdtrit

Floats = NDArray[np.float64]
#: Numbers of shapes, one entry a load.
Sizes = tuple[int, ...]

#: Nodes over the common part: the trapezoidal rule on +-8.5 is exact to 1e-12 for integrands as smooth as these.
_COMMON = np.linspace(-8.5, 8.5, 69)
_WEIGHTS = np.exp(-(_COMMON**2) / 2) / math.sqrt(2 * math.pi) * (_COMMON[1] - _COMMON[0])
_BELOW = ndtr(_COMMON)
#: Nodes over the estimated scatter, likewise.
_SCATTERS = 97
_ROOT_2 = math.sqrt(2)
#: Beyond so many degrees of freedom the scatter is as good as known.
_MOST_DF = 1e6
#: Degrees of freedom are taken down to so many significant digits, so that critical values can be kept.
_DIGITS = 3


def beyond_all_pairs(t: float, sizes: Sizes, df: float) -> float:
    """Chance that some pair is beyond ``t``, to either side, although no two shapes of a load differ.

    Args:
        t: a difference over its standard error.
        sizes: shapes compared with each other in each load.
        df: degrees of freedom of the standard error.
    """
    return _beyond(_range_below, t, sizes, df)


def beyond_control(t: float, sizes: Sizes, df: float) -> float:
    """Chance that some shape is beyond the control of its load by ``t`` standard errors although none differs.

    Args:
        t: a difference over its standard error, with its sign.
        sizes: shapes in each load, the control among them.
        df: degrees of freedom of the standard error.
    """
    return _beyond(_others_below, t, sizes, df)


def critical_all_pairs(confidence: float, sizes: Sizes, df: float) -> float:
    """The t beyond which a pair is called different, so that with this confidence none is that is not."""
    return _critical("pairs", confidence, _sorted(sizes), _rounded(df))


def confidence_all_pairs(confidence: float, sizes: Sizes, df: float) -> float:
    """Confidence of each two-sided interval, so that those of all pairs hold together with the confidence given."""
    if sum(size * (size - 1) // 2 for size in sizes) <= 1:
        return confidence
    return 1 - 2 * float(stdtr(_rounded(df), -critical_all_pairs(confidence, sizes, df)))


def confidence_with_control(confidence: float, sizes: Sizes, df: float) -> float:
    """Confidence of each two-sided interval, one end of which is used, so that all those ends hold together.

    The end that is used belongs to comparisons with one shape of each load.
    """
    if sum(size - 1 for size in sizes) <= 1:
        return 1 - 2 * (1 - confidence)
    critical = _critical("control", confidence, _sorted(sizes), _rounded(df))
    return 1 - 2 * float(stdtr(_rounded(df), -critical))


def range_below(t: float, size: int) -> float:
    """Chance that no pair of so many equal shapes is beyond ``t`` standard errors, were the scatter known."""
    return float(_range_below(np.array([t]), size)[0])


def _sorted(sizes: Sizes) -> Sizes:
    return tuple(sorted(size for size in sizes if size > 1))


def _rounded(df: float) -> float:
    """Down, which widens intervals."""
    if df >= _MOST_DF:
        return _MOST_DF
    scale = 10.0 ** (math.floor(math.log10(df)) + 1 - _DIGITS)
    return math.floor(df / scale + 1e-9) * scale


@lru_cache(maxsize=4096)
def _critical(family: str, confidence: float, sizes: Sizes, df: float) -> float:
    beyond = beyond_all_pairs if family == "pairs" else beyond_control
    error = 1 - confidence
    comparisons = sum(size * (size - 1) // 2 if family == "pairs" else size - 1 for size in sizes)
    # Bonferroni's inequality bounds it from above.
    sides = 2 if family == "pairs" else 1
    most = -float(stdtrit(df, error / (sides * comparisons)))
    least = 0.0 if beyond(0.0, sizes, df) > error else -most
    return float(brentq(lambda t: beyond(t, sizes, df) - error, least, most * 1.0001 + 1e-9, xtol=1e-7))


def _beyond(below: Callable[[Floats, int], Floats], t: float, sizes: Sizes, df: float) -> float:
    scatters, weights = _scatter_nodes(_rounded(df))
    known = np.ones_like(scatters)
    for size in _sorted(sizes):
        known = known * below(t * scatters, size)
    return max(0.0, 1 - float(known @ weights))


def _range_below(t: Floats, size: int) -> Floats:
    """Chance that the range of so many standard normal variables stays below t times the root of 2 (Hartley 1942)."""
    lower = ndtr(_COMMON - _ROOT_2 * t[:, np.newaxis])
    chance = size * ((_BELOW - lower).clip(0.0) ** (size - 1)) @ _WEIGHTS
    return np.asarray(chance.clip(0.0, 1.0), dtype=np.float64)


def _others_below(t: Floats, size: int) -> Floats:
    """Chance that all others stay below the control plus t times the root of 2 (Dunnett 1955)."""
    chance = (ndtr(_COMMON + _ROOT_2 * t[:, np.newaxis]) ** (size - 1)) @ _WEIGHTS
    return np.asarray(chance.clip(0.0, 1.0), dtype=np.float64)


@lru_cache(maxsize=512)
def _scatter_nodes(df: float) -> tuple[Floats, Floats]:
    """Estimated over true standard deviation, the root of chi-squared over its degrees of freedom: nodes and weights.

    The trapezoidal rule in the logarithm, where the density is proportional to exp(df (u - exp(2 u) / 2)).
    """
    if df >= _MOST_DF:
        return np.ones(1), np.ones(1)
    spread = 1 / math.sqrt(2 * df)
    logs = np.linspace(-8.5 * spread - 30 / df, math.log1p(60 / df + 9 * spread), _SCATTERS)
    density = np.exp(df * (logs - np.expm1(2 * logs) / 2))
    return np.exp(logs), density / density.sum()
