"""Critical values of several comparisons at once, against published tables and SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.inference.simultaneous import (
    beyond_all_pairs,
    beyond_control,
    confidence_all_pairs,
    confidence_with_control,
    critical_all_pairs,
)
from orchestrator.core.verdict.inference.uncertainty import student


@pytest.mark.parametrize(("size", "df"), [(2, 2), (3, 2), (3, 10), (6, 20), (8, 4), (24, 92), (5, 1.33), (10, 1000)])
@pytest.mark.parametrize("t", [1.5, 2.8, 4.0])
def test_all_pairs_of_one_load_is_the_studentised_range(size: int, df: float, t: float) -> None:
    """SciPy's studentized_range (Lund & Lund 1983, AS 190, checked there against R): q is t times the root of 2."""
    expected = stats.studentized_range.sf(t * math.sqrt(2), size, df)
    assert beyond_all_pairs(t, (size,), df) == pytest.approx(expected, rel=1e-4, abs=1e-7)


@pytest.mark.parametrize(("size", "df"), [(3, 10), (4, 9), (6, 20)])
def test_one_against_each_is_the_multivariate_t(size: int, df: int) -> None:
    """SciPy's multivariate t (Genz & Bretz 2002) with correlation 1/2, which Dunnett 1955 tabulated."""
    correlation = np.full((size - 1, size - 1), 0.5) + 0.5 * np.eye(size - 1)
    inside = stats.multivariate_t(shape=correlation, df=df, seed=1).cdf(np.full(size - 1, 2.3))
    assert beyond_control(2.3, (size,), df) == pytest.approx(1 - inside, abs=2e-4)


@pytest.mark.parametrize(("shapes", "df", "table"), [(2, 10, 2.15), (5, 20, 2.39), (1, 20, 1.72), (9, 20, 2.60)])
def test_dunnetts_table(shapes: int, df: int, table: float) -> None:
    """Dunnett 1955, JASA 50, table 1a: one-sided, 95 % together, with so many shapes beside the control.

    Two decimals, from memory of the table; recomputed with SciPy's multivariate t above.
    """
    each = confidence_with_control(0.95, (shapes + 1,), df)
    assert student(each, df) == pytest.approx(table, abs=0.006)


def test_one_comparison_alone_is_not_corrected() -> None:
    assert confidence_all_pairs(0.95, (2,), 4) == 0.95
    assert confidence_all_pairs(0.95, (2, 1, 1), 4) == 0.95
    assert confidence_with_control(0.975, (2,), 4) == pytest.approx(0.95)


def test_loads_that_share_a_known_scatter_are_independent() -> None:
    """With the scatter as good as known, no load errs with the product of the chances that each does not."""
    one, two = (1 - beyond_all_pairs(2.5, (size,), 1e9) for size in (3, 4))
    assert beyond_all_pairs(2.5, (3, 4), 1e9) == pytest.approx(1 - one * two, rel=1e-9)


def test_a_shared_scatter_that_is_estimated_gains_over_independence() -> None:
    """Kimball 1951: with a common divisor the chance that all hold is at least the product."""
    alone = 1 - beyond_all_pairs(3.0, (4,), 6)
    assert 1 - beyond_all_pairs(3.0, (4, 4, 4), 6) > alone**3


@given(st.lists(st.integers(1, 8), min_size=1, max_size=4), st.floats(1.0, 300.0), st.sampled_from([0.8, 0.95, 0.99]))
def test_the_correction_lies_between_none_and_bonferronis(sizes: list[int], df: float, confidence: float) -> None:
    pairs = sum(size * (size - 1) // 2 for size in sizes)
    each = confidence_all_pairs(confidence, tuple(sizes), df)
    assert confidence - 1e-9 <= each <= 1 - (1 - confidence) / max(1, pairs) + 1e-9


@given(st.integers(2, 8), st.floats(1.0, 300.0))
def test_the_order_of_loads_does_not_matter(size: int, df: float) -> None:
    assert critical_all_pairs(0.95, (size, 3), df) == critical_all_pairs(0.95, (3, size), df)


def test_covers_the_best_that_was_picked_out() -> None:
    """The largest of six equal means is set against the rest: the error is the whole family's, not 1 of 5."""
    rng = np.random.default_rng(11)
    means, scatter = rng.normal(0, 1, (20_000, 6)), np.sqrt(rng.chisquare(20, 20_000) / 20)
    t = (means.max(axis=1) - means.min(axis=1)) / math.sqrt(2) / scatter
    assert np.mean(t > critical_all_pairs(0.95, (6,), 20)) == pytest.approx(0.05, abs=0.005)
