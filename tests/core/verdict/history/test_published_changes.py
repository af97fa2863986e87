"""Steps and drifts against published series and other computations of the same thing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import linregress, ttest_ind

from orchestrator.core.verdict.history.course import course
from orchestrator.core.verdict.history.likeliest import Fit
from orchestrator.testing.series import NILE, known

# fmt: off
# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: CUSUM control charts, the worked example.
CUSUM = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
    328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]
# fmt: on


def test_the_nile_steps_down_after_1898_and_does_not_drift():
    """Means and sums of squares: statsmodels' copy of the data by least squares, agreeing with Cobb 1978.

    The set of places: R's strucchange gives 1895 to 1902 for the last year before (Bai 1997; from memory).
    """
    assert Fit(NILE).squares == pytest.approx(2_835_156.75, abs=1e-3)
    stepped = Fit(NILE, [28])
    assert stepped.squares == pytest.approx(1_597_457.1944, abs=1e-3)
    before, step = stepped.coefficient(0)[0], stepped.coefficient(1)[0]
    assert (before, before + step) == pytest.approx((1097.75, 849.9722), abs=1e-4)
    found = course([math.log(flow) for flow in NILE])
    assert found.kind == "steps"
    (only,) = found.steps
    assert only.place == 28
    assert 28 - 4 <= only.earliest <= only.latest <= 28 + 4
    assert only.low < 849.9722 / 1097.75 < only.high < 1
    assert only.p < 1e-6


def test_a_step_of_ten_standard_deviations_is_placed_exactly():
    """T2 of the validation series: 80, then 100 from reading 200 on, with noise of 2."""
    (only,) = course([math.log(value) for value in known("T2")]).steps
    assert (only.earliest, only.place, only.latest) == (200, 200, 200)
    assert only.low < 1.25 < only.high


def test_the_shift_of_the_handbook_s_cusum_example_is_where_its_sum_begins_to_grow():
    """The upper sum leaves 0 with observation 13, and gives its alarm with 14 (6.3.2.3)."""
    found = course([math.log(value) for value in CUSUM])
    assert found.kind == "steps"
    assert [step.place for step in found.steps] == [12]


def test_with_one_possible_place_the_chance_is_that_of_the_t_test():
    readings = [4.1, 3.7, 5.9, 6.4]
    found = Fit(readings).step()
    assert found is not None
    assert found.places == (2,)
    assert found.p == pytest.approx(ttest_ind(readings[:2], readings[2:]).pvalue, rel=1e-9)


@pytest.mark.parametrize(("n", "size"), [(5, 3.0), (12, 1.5), (30, 1.8)])
def test_the_chance_of_the_likeliest_step_is_that_of_noise_with_as_large_a_t(n, size):
    """The largest of all two-sample t statistics of a series, against those of 20,000 series of noise.

    A bound: never below the share, and close to it (Worsley 1982 shows the inequality to be nearly exact here).
    """

    def largest_t(series: np.ndarray) -> np.ndarray:
        split = ((series[:, :place], series[:, place:]) for place in range(2, n - 1))
        return np.max([np.abs(ttest_ind(before, after, axis=1).statistic) for before, after in split], axis=0)

    draws = np.random.default_rng(n)
    series = draws.standard_normal((1, n)) + size * (np.arange(n) >= n // 2)
    found = Fit(series[0]).step()
    assert found is not None
    share = float(np.mean(largest_t(draws.standard_normal((20_000, n))) >= largest_t(series)[0]))
    error = math.sqrt(found.p / 20_000)
    assert found.p > 10 * error, "the comparison would say nothing"
    assert 0.85 * found.p - 3 * error <= share <= found.p + 3 * error


def test_the_size_of_a_step_and_of_a_drift_have_the_intervals_of_their_t_tests():
    draws = np.random.default_rng(5)
    readings = 7 + 0.01 * draws.standard_normal(14)
    value, low, high = Fit(readings, [6]).interval(1, 0.95)
    theirs = ttest_ind(readings[6:], readings[:6]).confidence_interval(0.95)
    assert (low, high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)
    assert value == pytest.approx(readings[6:].mean() - readings[:6].mean())
    line = linregress(range(14), readings)
    sloped = Fit(readings, line=True)
    assert sloped.coefficient(1) == pytest.approx((line.slope, line.stderr), rel=1e-9)
    assert sloped.p_of(1) == pytest.approx(line.pvalue, rel=1e-6)


def test_steps_are_where_dynamic_programming_finds_the_least_squares():
    """Truong, Oudre & Vayatis 2020: the exact optimum for a given number of changes."""
    ruptures = pytest.importorskip("ruptures")
    for seed, places in enumerate([(20,), (12, 30), (10, 22, 34), (15, 20)]):
        readings = 7 + 0.01 * np.random.default_rng(seed).standard_normal(45)
        for sign, place in enumerate(places):
            readings[place:] += 0.05 * (-1) ** sign
        theirs = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(readings).predict(n_bkps=len(places))
        assert [step.place for step in course(list(readings)).steps] == theirs[:-1]


def test_a_drift_and_a_step_are_told_apart():
    draws = np.random.default_rng(11)
    noise, at = 0.01 * draws.standard_normal(40), np.arange(40)
    assert course(list(7 - 0.002 * at + noise)).kind == "drift"
    assert course(list(7 - 0.05 * (at >= 25) + noise)).kind == "steps"
    both = course(list(7 - 0.003 * at - 0.08 * (at >= 25) + noise))
    assert both.kind == "drift and steps"
    assert [step.place for step in both.steps] == [25]
    assert both.slope is not None
    assert both.slope.low < math.exp(-0.003 * 39) < both.slope.high


def test_what_cannot_be_told_apart_is_said_to_be_either():
    """Schwarz' criterion within 2: not worth more than a bare mention (Kass & Raftery 1995, JASA 90, 773)."""
    logs = [math.log(value) for value in (2411, 2411, 2421, 2406, 2326, 2322, 2353, 2274)]
    found = course(logs)
    assert found.kind == "steps or drift"
    assert [step.place for step in found.steps] == [4]
    assert found.slope is not None
    assert abs(Fit(logs, [4]).criterion - Fit(logs, line=True).criterion) < 2


@pytest.mark.parametrize("logs", [[7.0] * 9, [7.0, 7.1], [7.0], [7.0] * 5 + [7.2] * 5, [700.0] * 4 + [-700.0] * 6])
def test_a_series_without_noise_or_with_few_runs_has_an_answer(logs):
    found = course(logs)
    expected = "too few" if len(logs) < 6 else "level" if len(set(logs)) == 1 else "steps"
    assert found.kind == expected
    assert [step.place for step in found.steps] == [logs.index(logs[-1])] * (expected == "steps")


def test_one_run_apart_at_the_end_is_told_and_is_no_step():
    steady = [7.0, 7.003, 6.998, 7.001, 6.999, 7.002, 7.0, 6.997]
    found = course([*steady, 6.9])
    assert found.kind == "level"
    assert found.last_apart == pytest.approx(math.exp(6.9 - sum(steady) / 8))
