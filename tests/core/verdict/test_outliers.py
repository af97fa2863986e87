"""Trials far from what cell and block lead to expect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from verdict_cases import blocks, evidence, observe

from orchestrator.core.verdict.cells import Observation, cells_of
from orchestrator.core.verdict.outliers import outliers
from orchestrator.core.verdict.verdict import verdict

TRUTH = {("one", 1): 100.0, ("two", 1): 150.0, ("four", 1): 160.0, ("one", 2): 90.0}


def disturbed(seen: list[Observation], shape: str, block: int, factor: float) -> list[Observation]:
    return [
        replace(o, throughput_per_s=o.throughput_per_s * factor)
        if (o.shape, o.block, o.threads) == (shape, block, 1)
        else o
        for o in seen
    ]


def test_a_disturbed_trial_is_flagged_and_counts() -> None:
    seen = disturbed(blocks(TRUTH, k=6, sd=0.005, block_sd=0.03), "two", 4, 0.85)
    (found,) = outliers(cells_of(seen))
    assert (found.cell.first.shape, found.block) == ("two", 4)
    assert found.ratio == pytest.approx(0.85, abs=0.03)
    told = verdict(evidence(seen))
    (remark,) = [line for line in told.remarks if "too far for chance" in line]
    assert remark.startswith("The trial in block 4 of two with one thread gave 1")
    assert "less than the other trials lead to expect" in remark
    assert "it counts all the same" in remark
    assert {c.trials for c in told.cells} == {6}


def test_a_slow_block_is_no_outlier() -> None:
    seen = [
        replace(o, throughput_per_s=o.throughput_per_s * (0.7 if o.block == 2 else 1.0))
        for o in blocks(TRUTH, k=6, sd=0.005)
    ]
    assert outliers(cells_of(seen)) == ()


def test_readings_without_blocks_are_looked_at_too() -> None:
    seen = [observe("one", 1, rate, None) for rate in (100, 101, 99, 100.5, 99.5, 100.2, 60)]
    (found,) = outliers(cells_of(seen))
    assert found.block is None
    assert "A reading of one with one thread gave" in " ".join(verdict(evidence(seen)).remarks)


def test_the_largest_residual_of_a_block_design_is_tested_as_stefansky_does() -> None:
    """Stefansky 1972: the largest normed residual of a two-way table, flagged when its t passes Bonferroni's bound."""
    rng = np.random.default_rng(8)
    logs = rng.normal(0, 0.01, (4, 6))
    for push in (0.02, 0.03, 0.04, 0.05):
        table = logs.copy()
        table[1, 2] += push
        residuals = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
        squares, worst = (residuals**2).sum(), (residuals**2).max() * 24 / 15
        t = np.sqrt(worst / ((squares - worst) / 14))
        seen = [
            observe(s, 1, float(np.exp(table[i, b])), b + 1)
            for i, s in enumerate(("one", "two", "four", "eight"))
            for b in range(6)
        ]
        assert bool(outliers(cells_of(seen))) == (2 * stats.t.sf(t, 14) * 24 < 0.01)


def test_trials_that_scatter_normally_are_hardly_ever_flagged() -> None:
    """1 % of designs by construction; the binomial sd at 400 is half a point."""
    flagged = sum(bool(outliers(cells_of(blocks(TRUTH, k=5, sd=0.02, seed=seed)))) for seed in range(400))
    assert flagged / 400 <= 0.025
