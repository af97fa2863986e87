"""The same numbers from well-kept libraries: statsmodels (extra ``reference``) and SciPy."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.inference.block_design import additive_fit
from orchestrator.core.verdict.inference.components import components, homogeneity, one_way
from orchestrator.core.verdict.inference.equivalence import two_one_sided
from orchestrator.core.verdict.inference.power import blocks_to_clear
from orchestrator.core.verdict.inference.simultaneous import beyond_all_pairs, beyond_control, critical_all_pairs
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter, independent, paired
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import verdict

weightstats = pytest.importorskip("statsmodels.stats.weightstats", reason="extra 'reference' is not installed")

Floats = NDArray[np.float64]


def _blocks(rows: Floats) -> list[dict[int, float]]:
    return [{b: float(v) for b, v in enumerate(row, start=1) if math.isfinite(v)} for row in rows]


def _design(seed: int, cells: int, blocks: int, *, missing: int = 0, block_sd: float = 0.02) -> Floats:
    """Logs of cells x blocks; where a reading is missing, not a number."""
    rng = np.random.default_rng(seed)
    logs = rng.normal(4, 0.1, (cells, 1)) + rng.normal(0, block_sd, (1, blocks)) + rng.normal(0, 0.01, (cells, blocks))
    if missing:
        gone = rng.choice(cells * blocks, missing, replace=False)
        logs.flat[gone] = np.nan
    return np.asarray(logs)


# Equivalence by two one-sided tests, on the data that statsmodels' own tests ship with the answers of the package
# ``equivalence`` of R (epsilon .6, 90 % intervals: this is what a one-sided level of 5 % goes with).

CLINIC = {  # difference, standard error, degrees of freedom, interval, p, equivalent
    ("paired", 1): (0.1646667, 0.1357514, 14, (-0.0744337, 0.4037670), 0.0031669, True),
    ("paired", 2): (0.5626667, 0.2478276, 14, (0.1261653, 0.9991680), 0.4412034, False),
    ("Welch", 1): (0.1646667, 0.2531626, 26.74848, (-0.2666863, 0.5960196), 0.0485308, True),
    ("Welch", 2): (0.5626667, 0.2149872, 24.11000, (0.1949163, 0.9304171), 0.4317937, False),
}


def _clinic(variable: int) -> tuple[list[float], list[float]]:
    data = pytest.importorskip("statsmodels.stats.tests.test_tost", reason="statsmodels came without its tests")
    rows = data.clinic
    first, second = (rows[rows[:, 1] == group, 1 + variable] for group in (1, 2))
    return first.tolist(), second.tolist()


@pytest.mark.parametrize(("kind", "variable"), CLINIC)
def test_equivalence_of_the_clinic(kind: str, variable: int) -> None:
    first, second = _clinic(variable)
    difference, error, df, bounds, p, equivalent = CLINIC[kind, variable]
    if kind == "paired":
        estimate = paired(dict(enumerate(second)), dict(enumerate(first)))
        reference = weightstats.ttost_paired(np.array(first), np.array(second), -0.6, 0.6)
    else:
        estimate = independent(second, first)
        reference = weightstats.ttost_ind(np.array(first), np.array(second), -0.6, 0.6, usevar="unequal")
    tests = two_one_sided(estimate, 0.6)
    assert tests is not None
    assert (estimate.value, estimate.error, estimate.df) == pytest.approx((difference, error, df), abs=5e-6)
    assert estimate.interval(0.90) == pytest.approx(bounds, abs=5e-7)
    assert tests.p == pytest.approx(p, abs=5e-8)
    assert tests.p == pytest.approx(reference[0], rel=1e-9)
    assert (tests.p < 0.05) is equivalent


# Variances of a block design.


@pytest.mark.parametrize(("cells", "blocks", "missing"), [(2, 5, 0), (6, 4, 0), (6, 4, 5), (24, 12, 40)])
def test_residual_variance_is_that_of_least_squares(cells: int, blocks: int, missing: int) -> None:
    """Two-way additive model with readings missing, by statsmodels' ordinary least squares."""
    linear_model = pytest.importorskip("statsmodels.regression.linear_model")
    logs = _design(cells + missing, cells, blocks, missing=missing)
    rows, columns = np.nonzero(np.isfinite(logs))
    design = np.column_stack([np.eye(cells)[rows], np.eye(blocks)[columns][:, 1:]])
    reference = linear_model.OLS(logs[rows, columns], design).fit()
    fit = additive_fit(_blocks(logs))
    assert fit is not None
    assert (fit.variance, fit.df) == (pytest.approx(reference.mse_resid, rel=1e-9), reference.df_resid)


def _reml(values: Floats, groups: Sequence[int], fixed: Floats) -> tuple[float, float]:
    """Variance within and between groups by restricted maximum likelihood."""
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of estimates near zero
        fitted = mixed.MixedLM(values, fixed, groups).fit(reml=True, method="powell", xtol=1e-12, ftol=1e-14)
    return float(fitted.scale), float(fitted.cov_re[0, 0])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_components_of_a_complete_design_are_those_of_restricted_maximum_likelihood(seed: int) -> None:
    logs = _design(seed, 5, 8, block_sd=0.03)
    # In units of the scatter, so that the optimiser's tolerances fit.
    scaled = (logs - logs.mean()) / 0.01
    rows, columns = np.indices(logs.shape)
    within, between = _reml(scaled.ravel(), columns.ravel().tolist(), np.eye(5)[rows.ravel()])
    found = components(_blocks(logs))
    assert found is not None
    assert found.trial.variance == pytest.approx(within * 1e-4, rel=1e-3)
    assert found.block.variance == pytest.approx(between * 1e-4, rel=1e-3)


def test_components_of_equal_groups_are_those_of_restricted_maximum_likelihood() -> None:
    """On Dyestuff (Davies 1947), whose published answers are in test_published_comparisons.py."""
    yields = [[1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560]]
    yields += [[1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445]]
    within, between = one_way(yields)
    groups = np.repeat(np.arange(6), 5).tolist()
    reference = _reml(np.array(yields, dtype=np.float64).ravel() / 50, groups, np.ones((30, 1)))
    assert (within.variance, between.variance) == pytest.approx([2500 * v for v in reference], rel=1e-3)


def test_block_effects_are_tested_as_by_analysis_of_variance() -> None:
    anova = pytest.importorskip("statsmodels.stats.anova")
    formula = pytest.importorskip("statsmodels.formula.api")
    pandas = pytest.importorskip("pandas")
    logs = _design(11, 4, 6, missing=3)
    rows, columns = np.nonzero(np.isfinite(logs))
    frame = pandas.DataFrame({"log": logs[rows, columns], "cell": rows, "block": columns})
    table = anova.anova_lm(formula.ols("log ~ C(cell) + C(block)", frame).fit(), typ=2)
    found = components(_blocks(logs))
    assert found is not None
    assert found.p == pytest.approx(table.loc["C(block)", "PR(>F)"], rel=1e-6)
    assert (found.df, found.block_df) == (table.loc["Residual", "df"], table.loc["C(block)", "df"])


def test_scatter_of_cells_is_tested_about_as_by_scipy() -> None:
    """Brown & Forsythe 1974. SciPy keeps both of the two middle deviations, which are equal; one of them is left out
    here (Hines & Hines 2000), so that with 40 readings the chances differ by little."""
    rng = np.random.default_rng(3)
    agreed = []
    for _ in range(40):
        logs = rng.normal(0, 0.01, (6, 40))
        residuals = logs - logs.mean(axis=0) - logs.mean(axis=1, keepdims=True) + logs.mean()
        found = homogeneity(_blocks(logs))
        assert found is not None
        agreed.append(abs(found.p - stats.levene(*residuals, center="median").pvalue))
    assert max(agreed) < 0.1


# Power.


@pytest.mark.parametrize("effect", [0.3, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("confidence", [0.90, 0.95, 0.99])
def test_numbers_of_blocks_are_those_of_statsmodels(effect: float, confidence: float) -> None:
    power = pytest.importorskip("statsmodels.stats.power")
    wanted = power.TTestPower().solve_power(effect, alpha=1 - confidence, power=0.90)
    estimate = LogEstimate(effect, 2, 1 / math.sqrt(2), 1, Scatter(1.0, 1.0))
    assert blocks_to_clear(estimate, 0.0, confidence) == math.ceil(wanted)


# Several intervals that hold together.


@pytest.mark.parametrize(("shapes", "df"), [(2, 4), (3, 10), (8, 21), (5, 200)])
def test_all_pairs_are_the_studentised_range(shapes: int, df: int) -> None:
    """SciPy's studentised range (Tukey 1953) is of differences over the error of one mean: the root of 2 apart."""
    for t in (1.0, 2.5, 4.0):
        expected = stats.studentized_range.sf(t * math.sqrt(2), shapes, df)
        assert beyond_all_pairs(t, (shapes,), df) == pytest.approx(expected, abs=1e-6)
    critical = critical_all_pairs(0.95, (shapes,), df)
    assert critical == pytest.approx(stats.studentized_range.ppf(0.95, shapes, df) / math.sqrt(2), rel=1e-5)


@pytest.mark.parametrize(("shapes", "df"), [(3, 10), (5, 20), (10, 60)])
def test_all_pairs_are_those_of_statsmodels(shapes: int, df: int) -> None:
    """By its table of the studentised range (Copenhaver & Holland 1988 as interpolated there, good to three digits)."""
    libqsturng = pytest.importorskip("statsmodels.stats.libqsturng")
    expected = float(libqsturng.qsturng(0.95, shapes, df)) / math.sqrt(2)
    assert critical_all_pairs(0.95, (shapes,), df) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(("shapes", "blocks"), [(3, 5), (6, 4), (8, 10)])
def test_comparisons_with_one_shape_are_those_of_dunnett(shapes: int, blocks: int) -> None:
    """SciPy's dunnett, one-sided, on groups of equal size; it integrates at random, to about three digits."""
    rng = np.random.default_rng(shapes)
    control, *others = rng.normal(0, 1, (shapes, blocks))
    others[0] += 1.0
    reference = stats.dunnett(*others, control=control, alternative="greater", rng=np.random.default_rng(1))
    df = shapes * (blocks - 1)
    for t, p in zip(reference.statistic, reference.pvalue, strict=True):
        assert beyond_control(float(t), (shapes,), df) == pytest.approx(float(p), abs=2e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_verdict_on_equal_shapes_is_the_test_of_tukey_in_a_block_design(seed: int) -> None:
    """Four shapes in six blocks: mean difference +- q sqrt(mean square / blocks), q and residual from the libraries."""
    linear_model = pytest.importorskip("statsmodels.regression.linear_model")
    shapes, blocks = 4, 6
    rng = np.random.default_rng(seed)
    scatter = rng.normal(0, 0.01, (shapes, blocks))
    for _ in range(100):  # until all shapes scatter alike about shape and block, so that their variances are pooled
        scatter -= scatter.mean(axis=0) + scatter.mean(axis=1, keepdims=True) - scatter.mean()
        scatter *= 0.01 / scatter.std(axis=1, keepdims=True)
    logs = 4 + scatter + rng.normal(0, 0.004, (shapes, 1)) + rng.normal(0, 0.02, blocks)
    rows, columns = np.indices(logs.shape)
    design = np.column_stack([np.eye(shapes)[rows.ravel()], np.eye(blocks)[columns.ravel()][:, 1:]])
    fitted = linear_model.OLS(logs.ravel(), design).fit()
    q = stats.studentized_range.ppf(0.95, shapes, fitted.df_resid)
    half = q * math.sqrt(fitted.mse_resid / blocks)
    seen = [
        Observation(f"v{shape + 1}", shape + 1, 2**30, "bookings", 1, block + 1, math.exp(logs[shape, block]))
        for shape in range(shapes)
        for block in range(blocks)
    ]
    compared = [c for c in verdict(Evidence(tuple(seen)), Rule()).comparisons if c.question == "size"]
    assert len(compared) == 6
    plain = [c for c in compared if c.correction == "all pairs"]
    assert plain
    for found in plain:
        assert found.low is not None
        assert found.high is not None
        difference = logs[int(found.new_shape[1:]) - 1].mean() - logs[int(found.base_shape[1:]) - 1].mean()
        assert math.log(found.low) == pytest.approx(difference - half, abs=half * 2e-3)
        assert math.log(found.high) == pytest.approx(difference + half, abs=half * 2e-3)


def test_loads_that_share_their_scatter_are_covered_together() -> None:
    """Two loads of three and four shapes in the same blocks, held against simulation."""
    rng = np.random.default_rng(6)
    means, df = rng.standard_normal((400_000, 7)), 18
    scatter = np.sqrt(rng.chisquare(df, 400_000) / df * 2)
    largest = np.maximum(np.ptp(means[:, :3], axis=1), np.ptp(means[:, 3:], axis=1)) / scatter
    critical = critical_all_pairs(0.95, (3, 4), df)
    assert np.mean(largest > critical) == pytest.approx(0.05, abs=0.0012)
