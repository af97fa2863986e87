"""What cell and block explain of trials, against a published analysis and plain means."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.verdict.inference.block_design import additive_fit

# Yates 1935, peas under N, P and K in six blocks of four plots out of eight treatments: R's data set npk, remembered;
# the residual mean square in R's documentation of it (15.44 on 12 degrees of freedom, sum of squares 185.29) comes out.
PEAS = {
    1: {"pk": 49.5, "np": 62.8, "": 46.8, "nk": 57.0},
    2: {"n": 59.8, "npk": 58.5, "k": 55.5, "p": 56.0},
    3: {"p": 62.8, "npk": 55.8, "n": 69.5, "k": 55.0},
    4: {"n": 62.0, "npk": 48.8, "k": 45.5, "p": 44.2},
    5: {"np": 52.0, "": 51.5, "nk": 49.8, "pk": 48.8},
    6: {"nk": 57.2, "np": 59.0, "pk": 53.2, "": 56.0},
}


def test_the_residual_is_that_of_the_published_analysis_with_blocks_missing() -> None:
    treatments = sorted({treatment for plots in PEAS.values() for treatment in plots})
    found = additive_fit([{b: plots[t] for b, plots in PEAS.items() if t in plots} for t in treatments])
    assert found is not None
    assert (found.df, len(found.blocks)) == (12, 6)
    assert found.variance == pytest.approx(15.44, abs=0.005)
    assert found.squares == pytest.approx(185.29, abs=0.005)


def test_effects_and_residuals_of_a_complete_design_are_differences_of_means() -> None:
    rng = np.random.default_rng(14)
    logs = rng.normal(7, 2, (4, 5))
    fit = additive_fit([dict(enumerate(row)) for row in logs.tolist()])
    assert fit is not None
    assert fit.cells == pytest.approx(logs.mean(axis=1))
    assert list(fit.blocks.values()) == pytest.approx(logs.mean(axis=0) - logs.mean())
    expected = logs[1, 2] - logs[1].mean() - logs[:, 2].mean() + logs.mean()
    assert fit.residual(1, 2) == pytest.approx(expected)
    assert (fit.df, fit.squares) == (
        12,
        pytest.approx(sum(fit.residual(c, b) ** 2 for c in range(4) for b in range(5))),
    )


@pytest.mark.parametrize("cells", [[{1: 2.0}, {1: 3.0}], [{1: 2.0, 2: 2.5}, {3: 3.0}]])
def test_without_a_degree_of_freedom_there_is_no_variance(cells: list[dict[int, float]]) -> None:
    fit = additive_fit(cells)
    assert fit is not None
    assert fit.df == 0
    with pytest.raises(ValueError, match="degree of freedom"):
        _ = fit.variance


def test_without_a_reading_there_is_no_fit() -> None:
    assert additive_fit([]) is None
    assert additive_fit([{}]) is None
