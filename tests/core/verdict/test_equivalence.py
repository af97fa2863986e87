"""Two one-sided tests: their p-values, and what they say of intervals. Published values stand elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.inference.equivalence import two_one_sided
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, mean_of


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
