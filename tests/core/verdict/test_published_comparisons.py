"""Variances and intervals, against published worked examples and certified data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib.resources import files

import numpy as np
import pytest
from scipy import stats

from orchestrator.core.verdict.inference.block_design import additive_fit
from orchestrator.core.verdict.inference.components import components, one_way
from orchestrator.core.verdict.inference.equivalence import two_one_sided
from orchestrator.core.verdict.inference.power import POWER, blocks_to_clear
from orchestrator.core.verdict.inference.sequential import looks, nominal_level
from orchestrator.core.verdict.inference.uncertainty import (
    LogEstimate,
    Scatter,
    exp,
    independent,
    mean_of,
    paired,
    student,
)

# NIST Statistical Reference Datasets, one-way analysis of variance, certified values; the files come with SciPy.

CERTIFIED = {  # name: mean square between, mean square within
    "SiRstv": (1.27865654e-2, 1.08318280e-2),
    "AtmWtAg": (3.63834187500e-9, 2.28155932971014e-10),
    "SmLs01": (0.21, 0.01),
    "SmLs02": (2.01, 0.01),
    "SmLs03": (20.01, 0.01),
    "SmLs04": (0.21, 0.01),
    "SmLs05": (2.01, 0.01),
    "SmLs06": (20.01, 0.01),
    "SmLs07": (0.21, 0.01),
    "SmLs08": (2.01, 0.01),
    "SmLs09": (20.01, 0.01),
}
#: Digits of F that SciPy's f_oneway reaches, rounded down. The readings of the last three have 13 leading digits in
#: common: rounded to doubles they do not hold more.
DIGITS = {"SiRstv": 13, "AtmWtAg": 10, "SmLs01": 14, "SmLs02": 14, "SmLs03": 14}
DIGITS |= {"SmLs04": 10, "SmLs05": 10, "SmLs06": 10, "SmLs07": 4, "SmLs08": 4, "SmLs09": 4}
#: A mean square, or a difference of two, may be worse than their ratio by so much.
LEEWAY = 1.0


def _certified_data(name: str) -> list[list[float]]:
    text = files("scipy.stats").joinpath(f"tests/data/nist_anova/{name}.dat")
    if not text.is_file():
        pytest.skip("this SciPy was installed without the data of its tests")
    groups: dict[str, list[float]] = {}
    for line in text.read_text(encoding="ascii").splitlines()[60:]:
        group, value = line.split()
        groups.setdefault(group, []).append(float(value))
    return list(groups.values())


def _right_digits(found: float, certified: float) -> float:
    """Log relative error, as the datasets are scored."""
    return 15.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_components(name: str) -> None:
    """The variance within groups as it is, that between them from the certified mean squares."""
    groups = _certified_data(name)
    between, within = CERTIFIED[name]
    each, group = one_way(groups)
    assert _right_digits(each.estimate, within) >= DIGITS[name] - LEEWAY
    assert _right_digits(group.estimate, (between - within) / len(groups[0])) >= DIGITS[name] - LEEWAY


# Components of variance.

#: Davies 1947, yields of dyestuff: six batches, five samples each (Box & Tiao 1973).
DYESTUFF = (
    (1545, 1440, 1440, 1520, 1580),
    (1540, 1555, 1490, 1560, 1495),
    (1595, 1550, 1605, 1510, 1560),
    (1445, 1440, 1595, 1465, 1545),
    (1595, 1630, 1515, 1635, 1625),
    (1520, 1455, 1450, 1480, 1445),
)
#: Box & Tiao 1973, simulated: the batches scatter less than their samples explain.
DYESTUFF_2 = (
    (7.298, 3.846, 2.434, 9.566, 7.990),
    (5.220, 6.556, 0.608, 11.788, -0.892),
    (0.110, 10.386, 13.434, 5.510, 8.166),
    (2.212, 4.852, 7.092, 9.288, 4.980),
    (0.282, 9.014, 4.458, 9.446, 7.198),
    (1.722, 4.782, 8.106, 0.758, 3.758),
)
#: Snedecor & Cochran 1980, p. 239: calcium in turnip leaves, four determinations of each of four leaves.
TURNIP = ((3.28, 3.09, 3.03, 3.03), (3.52, 3.48, 3.38, 3.38), (2.88, 2.80, 2.81, 2.76), (3.34, 3.38, 3.23, 3.26))


def test_dyestuff() -> None:
    """Published REML estimates, equal to those of the analysis of variance: 2451.25 and 1764.05."""
    within, between = one_way(DYESTUFF)
    assert within.variance == pytest.approx(2451.25)
    assert between.variance == pytest.approx(1764.05)


def test_a_negative_variance_is_held_at_zero_and_its_estimate_kept() -> None:
    """Box & Tiao 1973: the published batch variance is 0; the estimate by moments is -1.32191."""
    within, between = one_way(DYESTUFF_2)
    assert (between.variance, between.sd) == (0.0, 0.0)
    assert between.estimate == pytest.approx(-1.32191, abs=5e-6)
    # With no variance between batches all readings are of one population; the published ML residual sd is 3.653.
    sizes, total = 30, 6 * 4 * within.estimate + 5 * (within.estimate + 5 * between.estimate)
    assert math.sqrt(total / sizes) == pytest.approx(3.653231351374652, rel=1e-12)


def test_turnip_leaves() -> None:
    """Snedecor & Cochran 1980: .0066 within, .0724 between leaves."""
    within, between = one_way(TURNIP)
    assert (within.variance, between.variance) == pytest.approx((0.0066, 0.0724), abs=5e-5)
    assert (within.variance, between.variance) == pytest.approx((0.00660208, 0.07238021), abs=5e-9)


#: Box, Hunter & Hunter 1978, ch. 7: penicillin, four processes in five blends of corn liquor (from memory).
PENICILLIN = ((89, 84, 81, 87, 79), (88, 77, 87, 92, 81), (97, 92, 87, 89, 80), (94, 79, 85, 84, 88))


def _by_block(rows: Sequence[Sequence[float]]) -> list[dict[int, float]]:
    return [dict(enumerate(row, start=1)) for row in rows]


def test_residual_of_a_randomised_block_design() -> None:
    """Box, Hunter & Hunter 1978 (from memory): residual sum of squares 226 with 12 degrees of freedom; blends 264."""
    fit = additive_fit(_by_block(PENICILLIN))
    assert fit is not None
    assert (fit.variance, fit.df, len(fit.blocks)) == (pytest.approx(226 / 12), 12, 5)
    parts = components(_by_block(PENICILLIN))
    assert parts is not None
    assert (parts.trial.variance, parts.df) == (pytest.approx(226 / 12), 12)
    assert parts.block.variance == pytest.approx((264 / 4 - 226 / 12) / 4)
    assert parts.p == pytest.approx(stats.f.sf(264 / 4 / (226 / 12), 4, 12))


# Equivalence by two one-sided tests (Schuirmann 1987): p below 2.5 % exactly where the 95 % interval lies within.


@pytest.mark.parametrize("bound", [0.02, 0.05, 0.2])
def test_equivalence_is_the_interval_within_the_bounds(bound: float) -> None:
    rng = np.random.default_rng(5)
    for _ in range(200):
        estimate = mean_of((rng.normal(0, bound / 2) + rng.normal(0, 0.02, int(rng.integers(2, 12)))).tolist())
        tests = two_one_sided(estimate, bound)
        low, high = estimate.interval(0.95) or (-math.inf, math.inf)
        assert tests is not None
        assert (tests.p < 0.025) == (-bound < low and high < bound)


# Sample sizes.


def _one_block(effect: float, sd: float) -> LogEstimate:
    return LogEstimate(effect, 2, sd / math.sqrt(2), 1, Scatter(sd, 1.0))


def test_sample_size_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.2.2: one-sided 5 %, power 90 %, a shift of one sd. From z 9, iterated with t 11."""
    assert POWER == 0.90
    assert blocks_to_clear(_one_block(1.0, 1.0), 0.0, 0.90) == 11
    z = (student(0.90, 1e9) + student(0.80, 1e9)) ** 2
    assert math.ceil(z) == 9
    assert (student(0.90, 9) + student(0.80, 9)) ** 2 == pytest.approx(10.34, abs=0.005)
    assert (student(0.90, 8) + student(0.80, 8)) ** 2 == pytest.approx(10.60, abs=0.005)


@pytest.mark.parametrize(("cv", "runs"), [(0.01, 7), (0.02, 18), (0.05, 99)])
def test_runs_needed_for_one_percent(cv: float, runs: int) -> None:
    """A 95 % t-interval of +- 1 %: 7, 18 and 99 runs at a coefficient of variation of 1, 2 and 5 %."""

    def half(n: int) -> float:
        spread = np.tile([1.0, -1.0], n)[:n] - (n % 2) / n
        logs = spread * cv / spread.std(ddof=1)
        low, high = mean_of(logs.tolist()).interval(0.95) or (-math.inf, math.inf)
        return (high - low) / 2

    assert half(runs) <= 0.01 < half(runs - 1)


# Means of rates.


def test_geometric_mean_of_relative_rates() -> None:
    """Hoefler & Belli 2015: 100 Gflop in 10, 100 and 40 s; relative rates 1, .1, .25 have the geometric mean .2924."""
    assert exp(mean_of([math.log(rate) for rate in (1, 0.1, 0.25)]).value) == pytest.approx(0.2924, abs=5e-5)


# Looking several times.


def test_all_error_spent_in_one_look_is_the_plain_test() -> None:
    assert nominal_level(10, (10,), 0.95) == pytest.approx(0.05)


def test_looking_often_at_five_percent_errs_too_often() -> None:
    """Armitage, McPherson & Rowe 1969: five looks with known variance err in 14.2 %, ten in 19.3 %. The levels do not.

    The levels are for an estimated variance: the same normal readings are looked at with Student's t.
    """
    readings = np.random.default_rng(8).standard_normal((100_000, 10))
    counts = np.arange(1, 11)
    sums, squares = readings.cumsum(axis=1), (readings**2).cumsum(axis=1)
    known = np.abs(sums) / np.sqrt(counts)
    for looked, error in ((5, 0.142), (10, 0.193)):
        assert np.mean((known[:, :looked] > 1.96).any(axis=1)) == pytest.approx(error, abs=0.004)
    planned = looks(3, 10)
    at = np.array(planned) - 1
    variances_so_far = (squares[:, at] - sums[:, at] ** 2 / counts[at]) / (counts[at] - 1)
    t = np.abs(sums[:, at]) / np.sqrt(counts[at] * variances_so_far)
    levels = np.array([nominal_level(look, planned, 0.95) for look in planned])
    bounds = stats.t.isf(levels / 2, counts[at] - 1)
    assert np.mean((t > bounds).any(axis=1)) == pytest.approx(0.05, abs=0.0025)


def test_looks_reach_from_the_first_to_the_last() -> None:
    assert (looks(3, 10)[0], looks(3, 10)[-1]) == (3, 10)


# Welch 1947 and the paired test on published readings stand in test_uncertainty.py.


def test_pairing_and_not_pairing_have_the_same_mean_difference() -> None:
    """The clinic's readings: see test_reference_libraries.py; here the identity that both tests rest on."""
    base, new = [2.84, 2.51, 2.41, 2.95], [2.60, 2.82, 2.18, 3.46]
    one = paired(dict(enumerate(base)), dict(enumerate(new)))
    assert one.value == pytest.approx(independent(base, new).value)
