"""Step-down tests of all pairs: what they find beyond one step, and the error they keep."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from orchestrator.core.verdict.inference.simultaneous import Sizes, confidence_all_pairs, critical_all_pairs
from orchestrator.core.verdict.inference.stepwise import Load, steps
from orchestrator.core.verdict.inference.uncertainty import LogEstimate

DF, ERROR = 20.0, 1.0


def load(means: list[float]) -> Load:
    """One load with these means in order, all differences with the same error."""
    return Load(
        len(means),
        {
            (a, b): LogEstimate(means[b] - means[a], 5, ERROR, DF)
            for a, b in itertools.combinations(range(len(means)), 2)
        },
    )


def shown(estimate: LogEstimate, sizes: Sizes) -> bool:
    low, high = estimate.interval(confidence_all_pairs(0.95, sizes, DF)) or (0.0, 0.0)
    return low > 0 or high < 0


def test_the_last_two_need_no_correction_for_what_is_settled() -> None:
    """Four shapes, two of them far off: 2.5 errors between the last two pass Student's 2.09 though not Tukey's 2.80.

    Studentised range q(.95; 4, 20) = 3.958 (Pearson & Hartley 1966, table 29), over the root of 2.
    """
    assert critical_all_pairs(0.95, (4,), DF) * math.sqrt(2) == pytest.approx(3.958, abs=0.001)
    found = steps([load([0.0, 100.0, 200.0, 202.5])], 0.95, shown)
    assert found[0, (2, 3)] == (2,)
    assert found[0, (0, 1)] == (4,)


def test_what_may_still_be_equal_elsewhere_counts() -> None:
    """Two pairs of near equals: either may be equal while the other is tested, so each is corrected for both."""
    found = steps([load([0.0, 2.2, 100.0, 102.5])], 0.95, shown)
    assert found[0, (2, 3)] == (2, 2)
    assert (0, (0, 1)) in found


def test_a_range_that_is_not_shown_protects_all_pairs_within_it() -> None:
    """Three shapes within 2.4 errors, beyond Student's 2.09 but short of the range of three: nothing is said."""
    assert steps([load([0.0, 1.2, 2.4])], 0.95, shown) == {}


def test_other_loads_are_steps_of_the_same_family() -> None:
    alone = steps([load([0.0, 2.2])], 0.95, shown)
    beside = steps([load([0.0, 2.2]), load([0.0, 0.1, 0.2])], 0.95, shown)
    assert set(alone) == {(0, (0, 1))}
    assert beside == {}


def test_what_a_later_look_must_show_is_asked_for() -> None:
    assert steps([load([0.0, 100.0])], 0.95, lambda _estimate, _sizes: False) == {}


@pytest.mark.parametrize(
    "truth", [(0, 0, 0, 0, 0), (0, 0, 0, 9, 9), (0, 0, 9, 9, 30), (0, 0, 3, 3, 3), (0, 2, 2, 2, 4)]
)
def test_the_family_error_is_kept_whatever_is_true(truth: tuple[float, ...]) -> None:
    """No true configuration makes some pair of equals, or a wrong side, be called more often than one in twenty.

    The binomial sd at 600 is 0.9 points.
    """
    rng, wrong = np.random.default_rng(3), 0
    for _ in range(600):
        means = rng.normal(truth, ERROR / math.sqrt(2))
        scatter = math.sqrt(rng.chisquare(DF) / DF)
        order = np.argsort(means)
        pairs = {
            (a, b): LogEstimate(float(means[order[b]] - means[order[a]]), 5, ERROR * scatter, DF)
            for a, b in itertools.combinations(range(5), 2)
        }
        found = steps([Load(5, pairs)], 0.95, shown)
        wrong += any(truth[order[b]] <= truth[order[a]] for _, (a, b) in found)
    assert wrong / 600 <= 0.075
