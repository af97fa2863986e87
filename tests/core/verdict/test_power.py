"""Numbers of blocks, against SciPy's noncentral t, simulation, and published sample sizes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.inference.power import (
    MOST_BLOCKS,
    POWER,
    blocks_to_clear,
    blocks_to_hold,
    chance_beyond,
    chance_to_decide,
)
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter, student


def estimate(value: float, sd: float, blocks: int = 5) -> LogEstimate:
    return LogEstimate(value, blocks, sd / math.sqrt(blocks), blocks - 1, Scatter(sd, 1.0))


@given(st.floats(0.0, 3.0), st.integers(2, 60), st.sampled_from([0.9, 0.95, 0.99]))
def test_power_is_the_noncentral_t(effect: float, blocks: int, confidence: float) -> None:
    quantile = stats.t.ppf(0.5 + confidence / 2, blocks - 1)
    reference = stats.nct.sf(quantile, blocks - 1, effect * math.sqrt(blocks))
    assert chance_beyond(effect, Scatter(1.0, 1.0), blocks, confidence) == pytest.approx(reference, abs=1e-6)


@pytest.mark.parametrize(("effect", "needed"), [(0.2, 265), (0.5, 44), (0.8, 19)])
def test_published_sample_sizes(effect: float, needed: int) -> None:
    """Paired t-test, two-sided 5 %, power 90 %, Cohen's small, medium and large effect (1988).

    The sizes are those that power programs in common use give; from memory.
    """
    assert blocks_to_clear(estimate(effect, 1.0), 0.0, 0.95) == needed


@pytest.mark.parametrize("effect", [0.3, 1.0, 2.5])
def test_the_number_given_is_the_smallest_with_enough_power(effect: float) -> None:
    found = blocks_to_clear(estimate(effect, 1.0), 0.0, 0.95)
    assert found is not None
    scatter = Scatter(1.0, 1.0)
    assert chance_beyond(effect, scatter, found, 0.95) >= POWER > chance_beyond(effect, scatter, found - 1, 0.95)


def test_as_many_blocks_do_decide_as_often_as_promised() -> None:
    """Fresh experiments of the size asked for, simulated: nine in ten or a little more decide."""
    rng = np.random.default_rng(3)
    blocks = blocks_to_clear(estimate(0.03, 0.02), 0.0, 0.95)
    assert blocks is not None
    means = rng.normal(0.03, 0.02, (4000, blocks))
    half = student(0.95, blocks - 1) * means.std(axis=1, ddof=1) / math.sqrt(blocks)
    decided = np.mean(means.mean(axis=1) - half > 0)
    assert POWER - 0.015 <= decided <= POWER + 0.08


@pytest.mark.parametrize("value", [0.0, 0.005, -0.01])
def test_blocks_for_equivalence_suffice(value: float) -> None:
    """The bound may ask for more than needed (Schuirmann 1987), never for fewer; checked by simulation."""
    rng = np.random.default_rng(4)
    bound, sd = 0.03, 0.02
    blocks = blocks_to_hold(estimate(value, sd), bound, 0.95)
    assert blocks is not None
    logs = rng.normal(value, sd, (4000, blocks))
    half = student(0.95, blocks - 1) * logs.std(axis=1, ddof=1) / math.sqrt(blocks)
    held = np.mean((logs.mean(axis=1) - half >= -bound) & (logs.mean(axis=1) + half <= bound))
    assert held >= POWER - 0.015


@given(st.floats(0.001, 0.2), st.floats(0.001, 0.2))
def test_more_scatter_never_needs_fewer_blocks(sd: float, further: float) -> None:
    steady, noisy = (blocks_to_clear(estimate(0.05, s), 0.0, 0.95) or MOST_BLOCKS + 1 for s in (sd, sd + further))
    assert noisy >= steady


def test_what_cannot_be_decided_is_not_given_a_number() -> None:
    assert blocks_to_clear(estimate(0.0001, 0.5), 0.0, 0.95) is None
    assert blocks_to_hold(estimate(0.05, 0.01), 0.03, 0.95) is None
    assert blocks_to_clear(LogEstimate(0.1, 1), 0.0, 0.95) is None
    assert blocks_to_clear(estimate(0.1, 0.0), 0.1, 0.95) is None


def test_no_scatter_needs_two_blocks() -> None:
    assert blocks_to_clear(estimate(0.1, 0.0), 0.0, 0.95) == 2


@pytest.mark.parametrize("effect", [1e3, 1e6, 1e12])
def test_enormous_effects_stay_certain(effect: float) -> None:
    assert chance_beyond(effect, Scatter(1.0, 1.0), 5, 0.95) == 1.0
    assert chance_beyond(-effect, Scatter(1.0, 1.0), 5, 0.95) == 0.0


@pytest.mark.parametrize(("value", "sd"), [(0.0, 0.008), (0.004, 0.01), (0.012, 0.02), (0.03, 0.02), (-0.03, 0.02)])
def test_the_chance_to_decide_is_that_of_the_blocks_to_come(value: float, sd: float) -> None:
    """Four blocks seen, ten in the end: truths drawn as uncertain as the four leave them, then six more blocks each."""
    rng, bound = np.random.default_rng(5), 0.02
    truth = value + stats.t.rvs(3, size=60_000, random_state=rng) * sd / 2
    # The scatter stays as it is, so only the mean of the blocks to come is drawn.
    later = truth + rng.normal(0, sd / math.sqrt(6), truth.size)
    mean, half = (4 * value + 6 * later) / 10, student(0.975, 9) * sd / math.sqrt(10)
    decided = (np.abs(mean) > half) | (np.abs(mean) + half <= bound)
    found = chance_to_decide(estimate(value, sd, 4), bound, 0.975, 10)
    assert found == pytest.approx(decided.mean(), abs=0.06)


@given(st.floats(-0.1, 0.1), st.floats(0.0005, 0.1), st.integers(3, 9), st.floats(0.001, 0.1))
def test_the_chance_to_decide_is_one_and_the_same_for_both_directions(
    value: float, sd: float, blocks: int, bound: float
) -> None:
    one, two = (chance_to_decide(estimate(sign * value, sd, blocks), bound, 0.95, 10) for sign in (1, -1))
    assert one is not None
    assert 0 <= one <= 1
    assert one == pytest.approx(two, abs=1e-9)


def test_at_the_end_the_interval_itself_tells() -> None:
    assert chance_to_decide(estimate(0.05, 0.01), 0.02, 0.95, 5) == 1.0
    assert chance_to_decide(estimate(0.01, 0.01), 0.02, 0.95, 5) == 0.0
    assert chance_to_decide(estimate(0.0, 0.001), 0.02, 0.95, 5) == 1.0
    assert chance_to_decide(LogEstimate(0.1, 1), 0.02, 0.95, 5) is None
    assert chance_to_decide(estimate(0.05, 0.0, 4), 0.02, 0.95, 5) == 1.0
