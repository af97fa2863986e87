"""Estimates and intervals, against handbook tables, worked examples and SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.inference.uncertainty import (
    exp,
    independent,
    mean_of,
    paired,
    student,
)

# Cushny & Peebles 1905, hours of extra sleep under two drugs, the data of Student 1908. The results of both t-tests are
# those in R's documentation of t.test and sleep; remembered, and computed again here with SciPy.
DRUG_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
DRUG_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


@pytest.mark.parametrize(
    ("confidence", "df", "expected"),
    [(0.95, 4, 2.776), (0.95, 10, 2.228), (0.95, 30, 2.042), (0.99, 4, 4.604), (0.90, 9, 1.833), (0.95, 1, 12.706)],
)
def test_student_matches_the_handbook_table(confidence: float, df: int, expected: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, critical values of Student's t (from memory)."""
    assert student(confidence, df) == pytest.approx(expected, abs=5e-4)


@given(st.floats(0.5, 0.9999), st.floats(1, 200))
def test_student_matches_scipy(confidence: float, df: float) -> None:
    assert student(confidence, df) == pytest.approx(stats.t.ppf(0.5 + confidence / 2, df), rel=1e-9)


def test_a_run_counts_once_whatever_it_holds() -> None:
    """Kalibera & Jones 2013, two-level worked example: the interval comes from the means of the runs alone."""
    runs = ([9, 5, 8, 3], [10, 6, 7, 11], [1, 12, 2, 4])
    estimate = mean_of([math.fsum(run) / 4 for run in runs])
    low, high = estimate.interval(0.95) or (0, 0)
    assert estimate.value == pytest.approx(6.5)
    assert (high - low) / 2 == pytest.approx(4.6887, abs=5e-5)


def test_paired_differences_match_the_published_test() -> None:
    base, new = dict(enumerate(DRUG_1)), dict(enumerate(DRUG_2))
    estimate = paired(base, new)
    assert estimate.value == pytest.approx(1.58)
    assert estimate.error is not None
    assert estimate.value / estimate.error == pytest.approx(4.0621, abs=5e-5)
    assert estimate.df == 9
    assert estimate.interval(0.95) == pytest.approx((0.7001142, 2.459886), abs=5e-7)
    reference = stats.ttest_rel(DRUG_2, DRUG_1).confidence_interval(0.95)
    assert estimate.interval(0.95) == pytest.approx((reference.low, reference.high))


def test_independent_differences_match_the_published_test() -> None:
    """Welch 1947: variances need not be equal."""
    estimate = independent(DRUG_1, DRUG_2)
    assert estimate.error is not None
    assert estimate.value / estimate.error == pytest.approx(1.8608, abs=5e-5)
    assert estimate.df == pytest.approx(17.776, abs=5e-4)
    assert estimate.interval(0.95) == pytest.approx((-0.2054832, 3.3654832), abs=5e-7)


def test_equal_terms_add_their_degrees_of_freedom() -> None:
    """Welch-Satterthwaite, JCGM 100:2008 (GUM) G.4: m equal terms of 10 degrees of freedom each have 10 m together."""
    sample = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert independent(sample, sample).df == pytest.approx(20)


@given(
    st.lists(st.floats(-5, 5), min_size=2, max_size=8, unique=True),
    st.lists(st.floats(-5, 5), min_size=2, max_size=8, unique=True),
)
def test_independent_matches_scipy(base: list[float], new: list[float]) -> None:
    if np.var(base) < 1e-9 or np.var(new) < 1e-9:
        return  # SciPy itself loses its digits there
    reference = stats.ttest_ind(new, base, equal_var=False)
    bounds = reference.confidence_interval(0.95)
    assert independent(base, new).df == pytest.approx(reference.df, rel=1e-6)
    assert independent(base, new).interval(0.95) == pytest.approx((bounds.low, bounds.high), rel=1e-6, abs=1e-9)


def test_blocks_that_hold_one_cell_only_do_not_count() -> None:
    whole = paired({1: 0.0, 2: 1.0, 3: 5.0}, {1: 1.0, 2: 3.0, 4: 9.0})
    assert whole == paired({1: 0.0, 2: 1.0}, {1: 1.0, 2: 3.0})
    assert whole.readings == 2


@pytest.mark.parametrize(
    "estimate",
    [mean_of([1.0]), paired({1: 1.0}, {1: 2.0}), paired({1: 1.0, 2: 1.0}, {3: 2.0}), independent([1.0], [1.0, 2.0])],
)
def test_without_repetition_there_is_no_interval(estimate: object) -> None:
    assert estimate.interval(0.95) is None  # type: ignore[attr-defined]


def test_no_shared_block_still_gives_the_ratio_of_means() -> None:
    estimate = paired({1: 1.0, 2: 3.0}, {3: 4.0})
    assert (estimate.value, estimate.readings) == (2.0, 0)


def test_no_scatter_gives_an_interval_of_no_width() -> None:
    assert independent([1.0, 1.0], [2.0, 2.0]).interval(0.95) == (1.0, 1.0)
    assert mean_of([0.5, 0.5, 0.5]).interval(0.95) == (0.5, 0.5)


def test_turning_exchanges_the_ends() -> None:
    estimate = independent(DRUG_1, DRUG_2)
    low, high = estimate.interval(0.95) or (0, 0)
    assert estimate.turned().interval(0.95) == (-high, -low)


@pytest.mark.parametrize("log", [-1e9, -700.0, 0.0, 700.0, 1e9, math.inf, -math.inf])
def test_exponentials_stay_finite_and_positive(log: float) -> None:
    assert 0 < exp(log) < math.inf


@pytest.mark.parametrize("scatter", [0.005, 0.03])
def test_nominal_coverage_is_kept_for_any_number_of_blocks(scatter: float) -> None:
    """Nominal 95 % intervals of a paired ratio cover the truth 95 times in a hundred (binomial sd 0.5 at 2000)."""
    rng = np.random.default_rng(20)
    for k in (3, 5, 10):
        hits = 0
        for _ in range(2000):
            shared = rng.normal(0, 0.05, k)
            base = dict(enumerate(shared + rng.normal(0, scatter, k)))
            new = dict(enumerate(0.04 + shared + rng.normal(0, scatter, k)))
            low, high = paired(base, new).interval(0.95) or (0, 0)
            hits += low <= 0.04 <= high
        assert hits / 2000 == pytest.approx(0.95, abs=0.015)
