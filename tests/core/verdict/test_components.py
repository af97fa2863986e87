"""Where scatter comes from, and whether cells share it: simulation and SciPy. Published values stand elsewhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.inference.components import (
    Component,
    beyond_seconds,
    components,
    homogeneity,
    one_way,
    same_spread,
)

Cells = list[dict[int, float]]


def design(rng: np.random.Generator, shape: tuple[int, int], trial: float, block: float, missing: float = 0.0) -> Cells:
    """Cells x blocks of logs; a share of the readings is missing."""
    cells, blocks = shape
    logs = rng.normal(0, 1, (cells, 1)) + rng.normal(0, block, (1, blocks)) + rng.normal(0, trial, shape)
    kept = rng.random(shape) >= missing
    return [{b: float(logs[c, b]) for b in range(blocks) if kept[c, b]} for c in range(cells)]


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_both_variances_are_found_without_bias(missing: float) -> None:
    """Mean over 1500 designs of 5 cells in 6 blocks; a bias of a tenth would be seen."""
    rng = np.random.default_rng(6)
    found = [components(design(rng, (5, 6), 0.01, 0.02, missing)) for _ in range(1500)]
    known = [f for f in found if f is not None]
    assert len(known) > 1400
    assert np.mean([f.trial.estimate for f in known]) == pytest.approx(0.01**2, rel=0.03)
    assert np.mean([f.block.estimate for f in known]) == pytest.approx(0.02**2, rel=0.06)


def test_where_blocks_make_no_difference_half_of_the_estimates_are_held_at_zero() -> None:
    rng = np.random.default_rng(7)
    found = [components(design(rng, (4, 5), 0.01, 0.0)) for _ in range(400)]
    clamped = [f for f in found if f is not None and f.block.estimate < 0]
    assert 0.45 < len(clamped) / 400 < 0.70
    assert all(f.block.variance == 0 == f.block.sd for f in clamped)
    assert 0.02 <= np.mean([f is not None and f.p < 0.05 for f in found]) <= 0.08


def test_the_test_of_blocks_is_that_of_two_way_analysis_of_variance() -> None:
    """Two cells: F is that of the blocks' means against the differences, computed by hand."""
    one, two = [1.0, 2.0, 4.0, 3.5], [1.5, 2.0, 4.5, 5.0]
    found = components([dict(enumerate(one)), dict(enumerate(two))])
    assert found is not None
    differences, sums = np.subtract(two, one), np.add(two, one)
    ratio = np.var(sums, ddof=1) / np.var(differences, ddof=1)
    assert found.p == pytest.approx(stats.f.sf(ratio, 3, 3))
    assert found.trial.variance == pytest.approx(np.var(differences, ddof=1) / 2)
    assert (found.df, found.block_df) == (3, 3)


@pytest.mark.parametrize("cells", [[], [{}], [{1: 2.0}], [{1: 2.0}, {1: 3.0}], [{1: 2.0, 2: 2.5}, {3: 3.0}]])
def test_too_few_readings_give_no_components(cells: Cells) -> None:
    assert components(cells) is None
    assert homogeneity(cells) is None


def test_groups_of_unequal_size_are_weighed_without_bias() -> None:
    rng = np.random.default_rng(8)
    sizes = (2, 3, 4, 9, 1)
    found = [one_way([(rng.normal(0, 2) + rng.normal(0, 1, size)).tolist() for size in sizes]) for _ in range(3000)]
    assert np.mean([within.estimate for within, _ in found]) == pytest.approx(1, rel=0.03)
    assert np.mean([between.estimate for _, between in found]) == pytest.approx(4, rel=0.06)


def test_what_seconds_explain_is_taken_off_the_trials() -> None:
    assert beyond_seconds(Component(4e-4), [0.01, 0.01]).variance == pytest.approx(3e-4)
    held = beyond_seconds(Component(4e-4), [0.03, 0.03])
    assert held.estimate < 0
    assert held.variance == 0


@given(st.lists(st.lists(st.floats(-10, 10), min_size=3, max_size=8, unique=True), min_size=2, max_size=6))
def test_equal_spread_is_tested_as_by_scipy(groups: list[list[float]]) -> None:
    """Brown & Forsythe 1974: SciPy's Levene test about the median."""
    found = same_spread(groups)
    if found is None or not math.isfinite(found[0]) or found[0] > 1e6:
        return
    reference = stats.levene(*groups, center="median")
    assert found[0] == pytest.approx(reference.statistic, rel=1e-6, abs=1e-9)
    assert found[2] == pytest.approx(reference.pvalue, abs=1e-9)


@pytest.mark.parametrize(("cells", "blocks"), [(3, 3), (6, 4), (12, 5), (24, 3)])
@pytest.mark.parametrize("heavy", [False, True])
def test_cells_that_scatter_alike_are_seldom_called_unequal(cells: int, blocks: int, heavy: bool) -> None:
    """Of a nominal 5 %, 6 % were measured in 8,000 at the worst (four blocks); three binomial sds of 1 point above."""
    rng = np.random.default_rng(9)
    called = 0
    for _ in range(500):
        logs = rng.standard_t(4, (cells, blocks)) if heavy else rng.standard_normal((cells, blocks))
        found = homogeneity([dict(enumerate(row)) for row in logs.tolist()])
        called += found is not None and found.p < 0.05
    assert called / 500 <= 0.09


def test_a_cell_that_scatters_more_is_found_and_named() -> None:
    rng = np.random.default_rng(10)
    named = 0
    for _ in range(200):
        logs = rng.standard_normal((12, 8))
        logs[4] *= 4
        found = homogeneity([dict(enumerate(row)) for row in logs.tolist()])
        named += found is not None and found.p < 0.05 and found.largest == 4 and found.ratio > 3
    assert named / 200 > 0.85


def test_two_cells_of_a_block_design_cannot_be_told_apart_by_their_scatter() -> None:
    assert homogeneity([{1: 0.0, 2: 1.0, 3: 5.0}, {1: 0.3, 2: 2.0, 3: 4.0}]) is None


def test_cells_without_any_scatter_have_nothing_to_test() -> None:
    assert homogeneity([{1: 1.0, 2: 1.0, 3: 1.0}] * 4) is None
