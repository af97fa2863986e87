"""The same series, judged by well-kept libraries that compute the same thing, or nearly (extra ``reference``).

pymbar (Chodera et al.), kim-convergence, statsmodels and ruptures. Where a library computes another quantity, what must
agree between the two is stated.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.measure.log import read_log
from orchestrator.core.measure.long_run import autoregressive_variance, overlapping_means_variance
from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.steady.steady_state import NotSteady, steady_state
from orchestrator.core.measure.steady.truncation import mser
from orchestrator.testing.series import known

NAMES = ["T1", "T2", "T3", "T4", "T5"]


def library(name: str):
    """An optional library; what it warns of on import is its own affair."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip(name)


def autoregressions(phi: float, n: int, count: int, seed: int) -> np.ndarray:
    """AR(1) series of variance 1."""
    noise = np.random.default_rng(seed).standard_normal((count, n + 500))
    return lfilter([1.0], [1.0, -phi], noise, axis=1)[:, 500:] * math.sqrt(1 - phi * phi)


@pytest.mark.parametrize("name", NAMES)
def test_mser_of_kim_convergence(name):
    mser_m = library("kim_convergence").mser_m
    settled, index = mser_m(np.array(known(name)), batch_size=5)
    found = mser(known(name), 5)
    assert found is not None
    assert (found.settled, found.index) == (settled, index)


def test_mser_of_kim_convergence_on_many_series():
    mser_m = library("kim_convergence").mser_m
    agreed = 0
    rows = autoregressions(0.5, 400, 60, seed=41)
    for row in rows:
        series = 50 + row - 10 * np.exp(-np.arange(400) / 30)
        settled, index = mser_m(series, batch_size=5)
        found = mser(series, 5)
        assert found is not None
        if settled and found.settled:
            assert found.index == index
            agreed += 1
    assert agreed >= 0.9 * len(rows)


@pytest.mark.parametrize("name", ["T1", "T2", "T5"])
def test_the_mean_behind_pymbars_equilibration(name):
    """Chodera 2016 cuts where most effective samples are left; elsewhere than MSER, but the mean must agree."""
    timeseries = library("pymbar.timeseries")
    series = np.array(known(name))
    start = int(timeseries.detect_equilibration(series, fast=False)[0])
    found = read_log(None, series.tolist())
    assert found.low is not None
    assert found.high is not None
    assert found.low <= series[start:].mean() <= found.high


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_effective_samples_of_pymbar(phi):
    """n over its statistical inefficiency; two estimates of one quantity, ours the more cautious."""
    timeseries = library("pymbar.timeseries")
    ratios = []
    for row in autoregressions(phi, 1500, 25, seed=42):
        interval = mean_interval(row.tolist(), 0.95)
        assert interval is not None
        assert interval.effective_samples is not None
        theirs = len(row) / float(timeseries.statistical_inefficiency(row, fast=False))
        ratios.append(interval.effective_samples / theirs)
    assert 0.7 <= float(np.median(ratios)) <= 1.1


@pytest.mark.parametrize(("phi", "n"), [(0.0, 300), (0.3, 300), (0.7, 600), (0.9, 1200), (-0.4, 300)])
def test_the_autoregression_of_statsmodels(phi, n):
    """Burg's recursion (Burg 1975) by statsmodels; order by AICc and the published correction of the bias by hand."""
    burg = library("statsmodels.regression.linear_model").burg
    pacf_burg = library("statsmodels.tsa.stattools").pacf_burg
    for row in autoregressions(phi, n, 5, seed=43):
        reflections = pacf_burg(row, nlags=10)[0][1:]
        powers = np.var(row) * np.concatenate(([1.0], np.cumprod(1 - reflections**2)))
        orders = np.arange(11)
        order = int(np.argmin(n * np.log(powers) + 2 * (orders + 2) * n / (n - orders - 3)))
        total = float(np.sum(burg(row, order=order)[0])) if order > 0 else 0.0
        if total > 0:
            total += (1 + 3 * total) / n  # Marriott & Pope 1954; Kendall 1954
        expected = powers[order] / (n - 1 - order) / (1 - total) ** 2
        assert autoregressive_variance(row).variance == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_overlapping_batch_means_against_the_bartlett_window_of_statsmodels(phi):
    """Overlapping batch means are the Bartlett window but for the ends (Meketon & Schmeiser 1984; Damerdji 1991)."""
    linear = library("statsmodels.regression.linear_model")
    n, length = 4000, 100
    for row in autoregressions(phi, n, 5, seed=44):
        fit = linear.OLS(row, np.ones(n)).fit(cov_type="HAC", cov_kwds={"maxlags": length - 1})
        found = overlapping_means_variance(row, length)
        assert found.variance == pytest.approx(float(fit.bse[0]) ** 2, rel=0.12)


@pytest.mark.parametrize(("at", "change"), [(420, -0.1), (380, 0.06), (500, 0.15)])
def test_a_step_is_where_ruptures_finds_it(at, change):
    """Least squares with one change point, by dynamic programming (Truong, Oudre & Vayatis 2020)."""
    dynp = library("ruptures").Dynp
    series = 1000 + 12 * np.random.default_rng(at).standard_normal(600)
    series[at:] *= 1 + change
    theirs = dynp(model="l2", min_size=5, jump=1).fit(series).predict(n_bkps=1)[0]
    found = steady_state(series)
    assert isinstance(found, NotSteady)
    assert found.kind == "step"
    assert found.start_index == pytest.approx(theirs, abs=2)


def test_a_warm_up_that_is_a_step_is_cut_behind_where_ruptures_finds_it():
    dynp = library("ruptures").Dynp
    theirs = dynp(model="l2", min_size=5, jump=1).fit(np.array(known("T2"))).predict(n_bkps=1)[0]
    found = steady_state(known("T2"))
    assert theirs == 200
    assert not isinstance(found, NotSteady)
    assert theirs <= found.start_index <= 1.5 * theirs
