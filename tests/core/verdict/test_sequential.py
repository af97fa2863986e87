"""Looking after several blocks: the error over all looks, against a published table, SciPy, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from orchestrator.core.verdict.inference.sequential import (
    error_over_looks,
    looks,
    nominal_level,
    repeated_confidence,
    spent,
)
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter, mean_of

#: So many degrees of freedom a block that the variance is as good as known.
KNOWN = 1e4


def nominal_levels(planned: tuple[int, ...], confidence: float, df_per_block: float = 1.0) -> tuple[float, ...]:
    """The level of each planned look."""
    return tuple(nominal_level(look, planned, confidence, df_per_block) for look in planned)


@pytest.mark.parametrize(("times", "error"), [(1, 0.05), (2, 0.083), (3, 0.107), (4, 0.126), (5, 0.142), (10, 0.193)])
def test_looking_often_at_five_percent_errs_as_published(times: int, error: float) -> None:
    """Armitage, McPherson & Rowe 1969, JRSS A 132, 235: repeated tests at 5 %, known variance (table from memory)."""
    taken = tuple(range(1000, 1000 * times + 1, 1000))
    assert error_over_looks([0.05] * times, taken, KNOWN) == pytest.approx(error, abs=6e-4)


@pytest.mark.parametrize("planned", [(3, 5, 10), (5, 6, 8, 10)])
def test_levels_at_known_variance_are_those_of_the_normal_distribution(planned: tuple[int, ...]) -> None:
    """Means after so many blocks correlate by the root of their ratio; SciPy's multivariate normal does the rest."""
    blocks = tuple(1000 * look for look in planned)
    levels = nominal_levels(blocks, 0.95, KNOWN)
    # Degrees of freedom are taken down to 17 a block, which at thousands of blocks is as good as known.
    correlation = [[math.sqrt(min(a, b) / max(a, b)) for b in planned] for a in planned]
    bounds = stats.norm.isf(np.array(levels) / 2)
    within = stats.multivariate_normal(cov=correlation).cdf(bounds, lower_limit=-bounds)
    assert 1 - within == pytest.approx(0.05, abs=3e-4)


@pytest.mark.parametrize(
    ("df_per_block", "bounds", "confidence"),
    [
        (1.0, (2, 10), 0.95),
        (1.0, (3, 12), 1 - 0.05 / 66),
        (1.0, (29, 30), 0.95),
        (2.0, (2, 6), 0.95),
        (2.0, (3, 10), 0.99),
        (3.0, (2, 6), 1 - 0.05 / 66),
        (9.0, (3, 300), 0.95),
    ],
)
def test_the_error_over_all_looks_is_the_one_asked_for(
    df_per_block: float, bounds: tuple[int, int], confidence: float
) -> None:
    planned = looks(*bounds)
    levels = nominal_levels(planned, confidence, df_per_block)
    assert error_over_looks(levels, planned, df_per_block) == pytest.approx(1 - confidence, rel=0.02)


def _t_statistics(logs: NDArray[np.float64], blocks: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and standard error over the first blocks, paired."""
    seen = logs[:, :blocks]
    return seen.mean(axis=1), seen.std(axis=1, ddof=1) / math.sqrt(blocks)


@pytest.mark.parametrize("planned", [(2, 3, 4, 5, 6, 8, 10), (3, 4, 5, 6, 8, 10), (3, 5)])
@pytest.mark.parametrize("heavy", [False, True])
def test_simulated_paired_experiments_keep_the_error(planned: tuple[int, ...], heavy: bool) -> None:
    """Normal logs reach it, heavy tails (Student's t with 4 degrees of freedom) stay below; binomial sd 0.11 points."""
    rng = np.random.default_rng(41)
    size = (40_000, planned[-1])
    logs = rng.standard_t(4, size) if heavy else rng.standard_normal(size)
    erred = np.zeros(len(logs), dtype=bool)
    for look in planned:
        mean, error = _t_statistics(logs, look)
        erred |= np.abs(mean) > stats.t.isf(nominal_level(look, planned, 0.95) / 2, look - 1) * error
    percent = 100 * erred.mean()
    assert percent <= 5.35
    assert heavy or percent >= 4.65


def test_simulated_pooled_experiments_keep_the_error() -> None:
    """Two of five cells compared, the variance of all: four degrees of freedom a block, taken for three."""
    rng, planned = np.random.default_rng(42), looks(2, 8)
    logs = rng.standard_normal((20_000, 5, 8))
    erred = np.zeros(len(logs), dtype=bool)
    for look in planned:
        seen = logs[:, :, :look]
        means = seen.mean(axis=2)
        left = seen - means[:, :, np.newaxis] - seen.mean(axis=1)[:, np.newaxis] + seen.mean(axis=(1, 2))[:, None, None]
        df = 4 * (look - 1)
        error = np.sqrt(2 * (left**2).sum(axis=(1, 2)) / df / look)
        bound = stats.t.isf(nominal_level(look, planned, 0.95, 4.0) / 2, df)
        erred |= np.abs(means[:, 0] - means[:, 1]) > bound * error
    assert 4.3 <= 100 * erred.mean() <= 5.4


@pytest.mark.parametrize("sd", [0.002, 0.01, 0.02])
def test_equivalence_over_all_looks_is_as_sure(sd: float) -> None:
    """At a true difference of just the bound, equivalence is said in no more than half the error at any look."""
    rng, planned, bound = np.random.default_rng(43), looks(3, 10), 0.02
    logs = rng.normal(bound, sd, (40_000, 10))
    said = np.zeros(len(logs), dtype=bool)
    for look in planned:
        mean, error = _t_statistics(logs, look)
        half = stats.t.isf(nominal_level(look, planned, 0.95) / 2, look - 1) * error
        said |= (mean - half >= -bound) & (mean + half <= bound)
    assert 100 * said.mean() <= 2.75


@given(st.integers(2, 1000), st.integers(0, 998))
def test_looks_rise_from_the_first_to_the_last(at_least: int, more: int) -> None:
    at_most = min(1000, at_least + more)
    found = looks(at_least, at_most)
    assert (found[0], found[-1]) == (at_least, at_most)
    assert list(found) == sorted(set(found))
    assert len(found) < 40


@pytest.mark.parametrize("bounds", [(1, 5), (5, 4), (0, 0)])
def test_bounds_that_are_none_are_refused(bounds: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="at least"):
        looks(*bounds)


def test_a_single_look_leaves_the_confidence_as_it_is() -> None:
    assert nominal_level(5, (5,), 0.95) == pytest.approx(0.05)
    assert nominal_levels(looks(7, 7), 0.99, 3.0) == pytest.approx((0.01,))


@settings(max_examples=6, deadline=None)
@given(st.integers(2, 6), st.integers(1, 8), st.floats(0.8, 0.9999), st.sampled_from([1.0, 2.0, 5.0]))
def test_each_level_lies_between_its_share_and_all_that_is_spent(
    first: int, more: int, confidence: float, df_per_block: float
) -> None:
    planned = looks(first, first + more)
    levels, before = nominal_levels(planned, confidence, df_per_block), 0.0
    for look, level in zip(planned, levels, strict=True):
        now = spent(look, planned[-1], confidence)
        assert (now - before) * 0.999 <= level <= now * 1.001
        before = now


def test_a_higher_confidence_leaves_less_at_every_look() -> None:
    planned = looks(3, 10)
    strict, loose = nominal_levels(planned, 0.99), nominal_levels(planned, 0.95)
    assert all(a < b for a, b in zip(strict, loose, strict=True))


def test_more_degrees_of_freedom_leave_more_at_every_later_look() -> None:
    planned = looks(3, 10)
    alone, pooled = nominal_levels(planned, 0.95), nominal_levels(planned, 0.95, 20.0)
    assert alone[0] == pytest.approx(pooled[0])
    assert all(a < b for a, b in zip(alone[1:], pooled[1:], strict=True))


def test_a_look_that_was_not_planned_spends_no_more() -> None:
    planned = (3, 4, 6, 10)
    levels = [nominal_level(look, planned, 0.95) for look in (3, 4, 5)]
    assert error_over_looks(levels, (3, 4, 5)) == pytest.approx(spent(5, 10, 0.95), rel=0.02)
    assert nominal_level(2, planned, 0.95) == spent(2, 10, 0.95)
    assert nominal_level(12, planned, 0.95) == nominal_level(10, planned, 0.95)


def test_an_estimate_brings_its_own_degrees_of_freedom() -> None:
    planned = looks(3, 10)
    alone = mean_of([0.01, 0.02, 0.03, 0.04])
    assert repeated_confidence(alone, 4, planned, 0.95) == 1 - nominal_level(4, planned, 0.95)
    pooled = LogEstimate(0.01, 4, 0.001, 15.0, Scatter(0.002, 5.0))
    assert repeated_confidence(pooled, 4, planned, 0.95) == 1 - nominal_level(4, planned, 0.95, 5.0)
    assert repeated_confidence(LogEstimate(0.01, 1), 4, planned, 0.95) == 1 - nominal_level(4, planned, 0.95)
