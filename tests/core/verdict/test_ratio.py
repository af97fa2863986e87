"""Fieller's interval and two one-sided tests: their shape, scale and coverage. Published values stand elsewhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.inference.ratio import fieller, two_one_sided
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, mean_of, student


@given(st.floats(0.01, 1000), st.floats(50, 150), st.floats(50, 150), st.floats(0.1, 20), st.floats(0.1, 20))
def test_the_unit_does_not_matter(unit: float, base: float, new: float, one: float, two: float) -> None:
    plain = fieller(base, one, new, two)
    other = fieller(base * unit, one * unit, new * unit, two * unit)
    assert (other.low, other.high) == pytest.approx((plain.low, plain.high), rel=1e-9)
    assert plain.low < plain.ratio < plain.high


def test_ends_are_the_ratios_that_the_test_just_allows() -> None:
    """By definition (Fieller 1954): new - r base lies just one half-width from 0."""
    found = fieller(100.0, 4.0, 102.0, 3.0, shared=5.0)
    for end in (found.low, found.high):
        assert (102 - end * 100) ** 2 == pytest.approx(9 + end**2 * 16 - 2 * end * 5)


def test_it_covers_the_true_ratio_as_often_as_promised() -> None:
    """Base 1 with an sd of 30 %, means of 6: the interval of the quotient by its derivative would miss more often."""
    rng, runs = np.random.default_rng(5), 6000
    base, new = rng.normal(1.0, 0.3, (runs, 6)), rng.normal(1.5, 0.3, (runs, 6))
    hits = 0
    for one, two in zip(base, new, strict=True):
        half = student(0.95, 5) / math.sqrt(6)
        shared = half**2 * float(np.cov(one, two)[0, 1])
        found = fieller(one.mean(), half * one.std(ddof=1), two.mean(), half * two.std(ddof=1), shared)
        inside = found.low <= 1.5 <= found.high
        hits += found.kind == "unbounded" or (inside if found.kind == "bounded" else not found.low < 1.5 < found.high)
    assert hits / runs == pytest.approx(0.95, abs=0.012)


def test_a_base_that_may_be_zero_has_no_bounded_ratio() -> None:
    assert fieller(1.0, 2.0, 1.0, 2.0).kind == "unbounded"
    outside = fieller(1.0, 2.0, 10.0, 1.0)
    assert outside.kind == "outside"
    assert outside.low < 0 < outside.high < outside.ratio
    with pytest.raises(ValueError, match="mean of 0"):
        fieller(0.0, 1.0, 1.0, 1.0)


@given(st.lists(st.floats(-0.1, 0.1), min_size=3, max_size=9, unique=True), st.floats(0.001, 0.2))
def test_p_values_are_those_of_scipy(logs: list[float], bound: float) -> None:
    if np.std(logs) < 1e-6:
        return
    found = two_one_sided(mean_of(logs), bound)
    assert found is not None
    assert found.p_low == pytest.approx(stats.ttest_1samp(logs, -bound, alternative="greater").pvalue, abs=1e-9)
    assert found.p_high == pytest.approx(stats.ttest_1samp(logs, bound, alternative="less").pvalue, abs=1e-9)


@given(st.floats(-0.1, 0.1), st.floats(0.001, 0.1), st.integers(1, 30), st.floats(0.01, 0.1))
def test_p_below_half_the_error_is_the_interval_within_the_bounds(
    value: float, error: float, df: int, bound: float
) -> None:
    estimate = LogEstimate(value, df + 1, error, df)
    low, high = estimate.interval(0.95) or (0.0, 0.0)
    found = two_one_sided(estimate, bound)
    assert found is not None
    if abs(found.p - 0.025) > 1e-9:
        assert (found.p < 0.025) == (-bound < low and high < bound)


def test_without_an_error_there_is_no_p_value_and_without_scatter_a_sure_one() -> None:
    assert two_one_sided(mean_of([0.1]), 0.02) is None
    sure = two_one_sided(mean_of([0.01, 0.01]), 0.02)
    beyond = two_one_sided(mean_of([0.03, 0.03]), 0.02)
    assert sure is not None
    assert beyond is not None
    assert (sure.p, beyond.p) == (0.0, 1.0)
