"""Comparisons of runs against published worked examples and reference libraries.

What the pieces underneath give is checked in ../test_published_comparisons.py; here the whole comparison is.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from compared_runs import compared, side
from scipy import stats

from orchestrator.core.verdict.between_runs.cell_differences import CellDifference, levels
from orchestrator.core.verdict.between_runs.estimates import Mean, sum_of
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, student

CELL = ("one", 1)


def _exp(logs: list[float] | tuple[float, ...]) -> list[float]:
    return [math.exp(log) for log in logs]


# Kalibera & Jones 2013, ISMM; technical report 4-12: their example as two levels, three runs of four trials.

RUNS = ([9, 5, 8, 3], [10, 6, 7, 11], [1, 12, 2, 4])


def _kalibera(new: list[float]) -> RunsCompared:
    return compared([side({CELL: _exp(r)}, f"base-{n}") for n, r in enumerate(RUNS)], side({CELL: _exp(new)}))


def test_several_base_runs_have_the_interval_of_kalibera_and_jones() -> None:
    """Mean 6.5, S^2 3.5625 on the outermost level, half-width 4.6887 with two degrees of freedom."""
    change = _kalibera([6.0, 7.0, 6.5, 6.5]).changes[0]
    assert math.log(change.base_per_s) == pytest.approx(6.5)
    assert math.log(change.base_high or 0) - 6.5 == pytest.approx(4.6887, abs=5e-5)
    assert 6.5 - math.log(change.base_low or 0) == pytest.approx(4.6887, abs=5e-5)


def test_one_more_run_is_expected_within_their_variance_of_runs() -> None:
    """The prediction of one further run: S^2 (1 + 1/3), two degrees of freedom."""
    change = _kalibera([6.0, 7.0, 6.5, 6.5]).changes[0]
    half = student(0.95, 2) * math.sqrt(3.5625 * (1 + 1 / 3))
    assert math.log(change.high or 0) == pytest.approx(half, rel=1e-9)
    assert math.log(change.low or 0) == pytest.approx(-half, rel=1e-9)


def test_their_share_of_variance_between_runs_decides_what_is_advised() -> None:
    """T^2 of the runs is .38194, of 3.5625 in all: a tenth, so nothing is said of runs that differ."""
    remarks = _kalibera([6.0, 7.0, 6.5, 6.5]).remarks
    assert not any("variance of a run's mean" in remark or "comes out at 0" in remark for remark in remarks)


def test_runs_vary_no_less_than_their_own_trials() -> None:
    """Three runs of the same mean: S^2 / 4 of their trials stands for the 0 between them, by hand."""
    logs = [0.1, -0.1, 0.1, -0.1]
    bases = [side({CELL: _exp(logs)}, f"base-{n}") for n in range(3)]
    change = compared(bases, side({CELL: _exp(logs[::-1])})).changes[0]
    half = student(0.95, 2) * math.sqrt(np.var(logs, ddof=1) / 4 * (1 + 1 / 3))
    assert math.log(change.high or 0) == pytest.approx(half, rel=1e-9)


# All cells together, and how much more would decide: SciPy's Welch test and its noncentral t.


def test_all_cells_together_are_welch_s_test_of_the_means_of_blocks() -> None:
    rng = np.random.default_rng(4)
    base, new = (rng.normal(rate, 0.02, (k, 3)) + rng.normal(0, 0.02, (k, 1)) for rate, k in ((7.0, 5), (6.96, 4)))
    shapes = ("one", "two", "four")
    runs = ({(s, 1): _exp(logs[:, n].tolist()) for n, s in enumerate(shapes)} for logs in (base, new))
    found = compared(*(side(run, name) for run, name in zip(runs, ("base", "new"), strict=True))).overall
    theirs = stats.ttest_ind(new.mean(axis=1), base.mean(axis=1), equal_var=False).confidence_interval(0.95)
    assert found is not None
    assert (math.log(found.low or 0), math.log(found.high or 0)) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


@pytest.mark.parametrize("sd", [0.04, 0.06, 0.08])
def test_more_blocks_of_both_runs_are_those_that_the_noncentral_t_asks_for(sd: float) -> None:
    """A difference of 5 % on logarithms, four trials a side of one standard deviation: found with 90 % at 95 %."""
    logs = [sd * math.sqrt(3 / 4) * side_of for side_of in (1, -1, 1, -1)]
    change = compared(side({CELL: _exp(logs)}, "base"), side({CELL: _exp([log - 0.05 for log in logs])})).changes[0]

    def power(n: int) -> float:
        df, centre = 2 * (n - 1), 0.05 / sd / math.sqrt(2 / n)
        return float(stats.nct.sf(stats.t.isf(0.025, df), df, centre))

    assert change.verdict == "undecided"
    assert change.more_blocks == next(more for more in range(1, 1000) if power(4 + more) >= 0.9)


# Box & Tiao 1973.

DYESTUFF_2 = (
    (7.298, 3.846, 2.434, 9.566, 7.990),
    (5.220, 6.556, 0.608, 11.788, -0.892),
    (0.110, 10.386, 13.434, 5.510, 8.166),
    (2.212, 4.852, 7.092, 9.288, 4.980),
    (0.282, 9.014, 4.458, 9.446, 7.198),
    (1.722, 4.782, 8.106, 0.758, 3.758),
)


def test_a_variance_between_runs_that_comes_out_at_0_is_told() -> None:
    """Dyestuff2 (Box & Tiao 1973), whose published variance between batches is 0: batches taken as runs."""
    bases = [side({CELL: _exp(batch)}, f"base-{n}") for n, batch in enumerate(DYESTUFF_2)]
    found = compared(bases, side({CELL: _exp(DYESTUFF_2[0])}, "new"))
    assert any("the variance between runs comes out at 0" in remark for remark in found.remarks)


def test_a_variance_between_runs_that_is_there_is_told_with_its_share() -> None:
    """Dyestuff (Davies 1947): 1764.05 between batches, 2451.25 / 5 of a batch's mean from its samples: 78 %."""
    yields = (
        (1545, 1440, 1440, 1520, 1580), (1540, 1555, 1490, 1560, 1495), (1595, 1550, 1605, 1510, 1560),
        (1445, 1440, 1595, 1465, 1545), (1595, 1630, 1515, 1635, 1625), (1520, 1455, 1450, 1480, 1445),
    )  # fmt: skip
    bases = [side({CELL: _exp([y / 1000 for y in batch])}, f"base-{n}") for n, batch in enumerate(yields)]
    found = compared(bases, side({CELL: _exp([1.5, 1.55, 1.52])}, "new"))
    assert any("is 78 % of the variance of a run's mean" in remark for remark in found.remarks)


# Fieller 1954 (as in Kalibera & Jones 2013).


def fieller(base: float, base_half: float, new: float, new_half: float) -> list[float]:
    """Ends of the interval of a ratio of independent means whose intervals have these half-widths."""
    square, middle = base**2 - base_half**2, base * new
    return [(middle + sign * math.sqrt(middle**2 - square * (new**2 - new_half**2))) / square for sign in (-1, 1)]


def test_the_interval_of_a_ratio_is_fieller_s() -> None:
    """(102 +- 3) / (100 +- 4) by the formula of Kalibera & Jones 2013, computed by hand."""
    assert fieller(100, 4, 102, 3) == pytest.approx((0.970925, 1.072344), abs=5e-7)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ratio_interval_is_that_of_fieller_where_scatter_is_small(seed: int) -> None:
    rng = np.random.default_rng(seed)
    base, new = (np.exp(rng.normal(math.log(mean), 0.003, 8)) for mean in (2400.0, 2500.0))
    change = compared(side({CELL: base.tolist()}, "base"), side({CELL: new.tolist()})).changes[0]
    welch = stats.ttest_ind(np.log(new), np.log(base), equal_var=False)
    quantile = student(0.95, float(welch.df))
    halves = [quantile * float(each.std(ddof=1)) / math.sqrt(8) for each in (base, new)]
    plain = fieller(float(base.mean()), halves[0], float(new.mean()), halves[1])
    assert (change.low, change.high) == pytest.approx(plain, abs=2e-5)
    assert change.p == pytest.approx(float(welch.pvalue), rel=1e-9)


# Equivalence by two one-sided tests (Schuirmann 1987): the data of statsmodels' tests, with R's answers.

CLINIC = {  # difference, interval at 90 %, p of the two tests, equivalent within .6
    1: (0.1646667, (-0.2666863, 0.5960196), 0.0485308, True),
    2: (0.5626667, (0.1949163, 0.9304171), 0.4317937, False),
}


@pytest.mark.parametrize("variable", CLINIC)
def test_equivalence_of_the_clinic(variable: int) -> None:
    """Bounds of .6 are a margin of e^.6 - 1; equal is said by the interval at 90 % where differences are at 75 %."""
    data = pytest.importorskip("statsmodels.stats.tests.test_tost", reason="extra 'reference' is not installed").clinic
    new, base = (_exp(data[data[:, 1] == group, 1 + variable].tolist()) for group in (1, 2))
    runs = side({CELL: base}, "base"), side({CELL: new})
    difference, bounds, _, equivalent = CLINIC[variable]
    at_90 = compared(*runs, confidence=0.90).changes[0]
    assert math.log(at_90.ratio) == pytest.approx(difference, abs=5e-6)
    assert (math.log(at_90.low or 0), math.log(at_90.high or 0)) == pytest.approx(bounds, abs=5e-7)
    word = compared(*runs, margin=math.expm1(0.6), confidence=0.75).changes[0].verdict
    assert (word == "equivalent") is equivalent
    tighter = compared(*runs, margin=math.expm1(0.59), confidence=0.75).changes[0].verdict
    assert tighter != "equivalent"


# Holm 1979.


def _with_p(p: float) -> CellDifference:
    """A difference whose two-sided p is known, by as good as infinitely many degrees of freedom."""
    nothing = Mean(0.0, 2, None)
    return CellDifference(nothing, nothing, LogEstimate(float(stats.norm.isf(p / 2)), 2, 1.0, 1e14))


def test_steps_of_holm() -> None:
    """p .01 .04 .03 .005 at 5 %: adjusted .03 .06 .06 .02, the first and the last are shown (example from memory)."""
    found = levels({("load", n, "one"): _with_p(p) for n, p in enumerate((0.01, 0.04, 0.03, 0.005))}, 0.95)
    assert [level.p_holm for level in found.values()] == pytest.approx([0.03, 0.06, 0.06, 0.02], rel=1e-6)
    assert [level.confidence for level in found.values()] == pytest.approx([1 - 0.05 / 4] * 4)
    # .005 passes the whole correction, .01 that of all four as well; neither needs a later step.
    assert [level.step for level in found.values()] == [None] * 4


def test_a_later_step_of_holm_shows_what_the_whole_correction_does_not() -> None:
    found = levels({("load", n, "one"): _with_p(p) for n, p in enumerate((0.001, 0.02, 0.9))}, 0.95)
    assert [level.step for level in found.values()] == [None, pytest.approx(1 - 0.05 / 2), None]


@pytest.mark.parametrize("seed", range(3))
def test_steps_are_those_of_statsmodels(seed: int) -> None:
    multitest = pytest.importorskip("statsmodels.stats.multitest", reason="extra 'reference' is not installed")
    chances = np.random.default_rng(seed).uniform(0, 1, 12) ** 4
    found = levels({("load", n, "one"): _with_p(float(p)) for n, p in enumerate(chances)}, 0.95)
    shown, adjusted, _, _ = multitest.multipletests(chances, alpha=0.05, method="holm")
    assert [level.p_holm for level in found.values()] == pytest.approx(adjusted.tolist(), rel=1e-5)
    alone = [level.p is not None and level.p < 0.05 / 12 for level in found.values()]
    steps = [level.step is not None for level in found.values()]
    assert [one or step for one, step in zip(alone, steps, strict=True)] == shown.tolist()


# JCGM 100:2008 (GUM), H.1: end gauge.


def test_degrees_of_freedom_of_a_sum_are_those_of_the_guide() -> None:
    """u(d) from 5.8 (24), 3.9 (5), 6.7 (8): 9.7 nm with 25.6; the whole 31.67 nm with 16.76 degrees of freedom."""
    error, df = sum_of([(5.8**2, 24), (3.9**2, 5), (6.7**2, 8)])
    # The guide goes on with 9.7 as rounded, which makes 25.6 of 25.45.
    assert (error, df * (9.7 / error) ** 4) == (pytest.approx(9.7, abs=0.05), pytest.approx(25.6, abs=0.05))
    error, df = sum_of([(25**2, 18), (9.7**2, 25.6), (2.9**2, 50), (16.6**2, 2)])
    assert (error, df) == (pytest.approx(31.671, abs=5e-4), pytest.approx(16.76, abs=5e-3))
