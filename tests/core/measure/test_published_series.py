"""Whole answers on series whose answers are published, or follow exactly from theory; the source stands at each.

Single rules have their published values in test_truncation (White 1997), test_moments (NIST) and test_long_run (exact
variances of an AR(1)).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.measure.log import read_log
from orchestrator.core.measure.long_run import (
    MeanVariance,
    autoregressive_variance,
    cautious_variance,
    overlapping_means_variance,
)
from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.steady.steady_state import NotSteady, steady_state
from orchestrator.core.measure.steady.truncation import mser
from orchestrator.testing.series import NILE, known

CHANGE, AFTER = 28, 849.972222
"""Readings before the change of 1898/1899, and the mean of the 72 behind it (Cobb 1978; least squares agrees)."""


@pytest.mark.parametrize(
    ("name", "batch", "mean"),
    # pymser 1.0.22, mean after truncation with batches of 1 and 5.
    [
        ("T1", 1, 99.893083),
        ("T1", 5, 99.893701),
        ("T2", 1, 99.926372),
        ("T2", 5, 99.934701),
        ("T3", 1, 0.452759),
        ("T3", 5, 0.452759),
        ("T5", 1, 99.856069),
        ("T5", 5, 99.877154),
    ],
)
def test_the_mean_behind_the_cut_is_the_reference_s(name, batch, mean):
    series = known(name)
    cut = mser(series, batch)
    assert cut is not None
    assert np.mean(series[cut.index :]) == pytest.approx(mean, abs=1e-6)  # the reference computes in float32


@pytest.mark.parametrize(("name", "truth"), [("T1", 100.0), ("T2", 100.0), ("T3", 0.0), ("T5", 100.0)])
def test_the_whole_answer_holds_the_level_that_the_recipe_has(name, truth):
    found = read_log(None, known(name))
    assert found.steady
    assert found.low is not None
    assert found.high is not None
    assert found.low <= truth <= found.high


def test_the_series_that_is_never_steady_has_no_mean():
    """T4 drifts by 20 in 1000 readings; MSER alone proposes a cut at 650 or 965 (reference implementations)."""
    found = read_log(None, known("T4"))
    assert not found.steady
    assert found.mean is None


def test_the_nile_is_cut_at_its_published_change():
    """As a warm-up of 28 readings: the rule itself proposes exactly that, and no answer may mix the two levels."""
    cut = mser(NILE)
    assert cut is not None
    assert cut.index == CHANGE
    assert np.mean(NILE[CHANGE:]) == pytest.approx(AFTER, abs=1e-6)
    found = steady_state(NILE)
    if isinstance(found, NotSteady):
        assert found.kind in {"step", "too short"}
        return
    assert found.start_index >= CHANGE
    answer = read_log(None, NILE)
    assert answer.low is not None
    assert answer.high is not None
    assert answer.low <= AFTER <= answer.high


@pytest.mark.parametrize(("length", "long_run"), [(20, 67.1287), (50, 98.6164), (100, 105.5465)])
def test_overlapping_batch_means_of_t3(length, long_run):
    """Meketon & Schmeiser 1984, recomputed independently; the truth is 100."""
    found = overlapping_means_variance(np.array(known("T3")), length)
    assert found.variance * 1000 == pytest.approx(long_run, abs=5e-5)


def autoregressions(phi: float, n: int, count: int, seed: int) -> np.ndarray:
    """AR(1) series of variance 1."""
    noise = np.random.default_rng(seed).standard_normal((count, n + 500))
    return lfilter([1.0], [1.0, -phi], noise, axis=1)[:, 500:] * math.sqrt(1 - phi * phi)


@pytest.mark.parametrize(
    ("phi", "n", "effective", "within"),
    # Effective sample size of an AR(1), exact: 1 / [Var(mean) / variance]; the mean's variance is the sum over lags.
    [(0.5, 100, 33.7838, 0.25), (0.9, 1000, 53.1350, 0.25), (0.9, 100, 5.8139, 0.45), (-0.5, 100, 100.0, 0.02)],
)
def test_effective_samples_are_those_of_theory(phi, n, effective, within):
    """Cautiously: never many more than theory says. Anticorrelated series count no more than their readings."""
    found = [mean_interval(row.tolist(), 0.95) for row in autoregressions(phi, n, 150, seed=31)]
    middle = float(np.median([interval.effective_samples for interval in found if interval is not None]))
    assert effective * (1 - within) <= middle <= effective * 1.1


@pytest.mark.parametrize(
    ("phi", "n", "ratio"), [(0.5, 100, 0.0296), (0.9, 1000, 0.01882), (0.0, 480, 1 / 480), (0.9, 480, 0.0385)]
)
def test_the_variance_that_is_used_is_not_too_small_on_average(phi, n, ratio):
    """Var(mean) / variance of an AR(1), exact (derivation). The cautious choice may be above it, by not too much."""
    exact = ((1 + phi) / (1 - phi) - 2 * phi * (1 - phi**n) / (n * (1 - phi) ** 2)) / n
    assert exact == pytest.approx(ratio, rel=0.01)
    found = np.mean([cautious_variance(row, 0.95).variance for row in autoregressions(phi, n, 200, seed=32)])
    assert 0.95 * exact <= found <= 1.5 * exact


def delays(load: float, n: int, count: int, seed: int, before: int = 0) -> np.ndarray:
    """Delays in the queue of an M/M/1 with mean service 1, after so many customers: Lindley 1952."""
    rng = np.random.default_rng(seed)
    service, gap = rng.exponential(1, (before + n, count)), rng.exponential(1 / load, (before + n, count))
    waiting, found = np.zeros(count), np.empty((n, count))
    for customer in range(before + n):
        if customer >= before:
            found[customer - before] = waiting
        waiting = np.maximum(waiting + service[customer] - gap[customer], 0)
    return found.T


def test_the_long_run_variance_of_a_queue():
    """Delay in the queue of an M/M/1 at load .5: 29 (Daley 1968, Whitt 1989, from memory; recomputed numerically).

    A queue is no autoregression, so that the estimates have no unfair advantage.
    """
    series = delays(0.5, 4000, 200, seed=33, before=500)
    for estimate in (autoregressive_variance, overlapping_means_variance):
        found = np.array([estimate(row).variance * 4000 for row in series])
        assert found.mean() == pytest.approx(29, abs=4 * found.std() / math.sqrt(len(found)))


COVERAGE = [
    # n, then coverage of nominal 90 % by 5, 10 and 20 batches: 8000 replications of our own recomputation; Law & Kelton
    # (from memory, 400 replications) have .690 .598 .490 / .723 .708 .588 / .780 .740 .705 / .798 .803 .753.
    (320, (0.658, 0.577, 0.471)),
    (640, (0.738, 0.677, 0.595)),
    (1280, (0.788, 0.752, 0.698)),
    (2560, (0.832, 0.805, 0.773)),
]


def side_by_side(values: np.ndarray, batches: int) -> MeanVariance:
    """Batch means as in the published figures (Law & Kelton, ch. 9); every length here is a multiple of the batches."""
    return MeanVariance(float(values.reshape(batches, -1).mean(axis=1).var(ddof=1)) / batches, batches - 1)


def test_batch_means_fall_short_on_a_queue_by_as_much_as_is_known():
    """M/M/1 at load .8 from empty; the true mean delay is 4. The traps of a fixed number of batches, reproduced."""
    series = delays(0.8, 2560, 600, seed=34)
    for n, shares in COVERAGE:
        for batches, share in zip((5, 10, 20), shares, strict=True):
            estimates = [side_by_side(row[:n], batches) for row in series]
            hits = [
                abs(row[:n].mean() - 4) <= found.half_width(0.9) for row, found in zip(series, estimates, strict=True)
            ]
            assert np.mean(hits) == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / len(hits)))
        ours = np.mean([abs(row[:n].mean() - 4) <= cautious_variance(row[:n], 0.9).half_width(0.9) for row in series])
        assert ours > shares[2]  # what is used is more careful than twenty batches
