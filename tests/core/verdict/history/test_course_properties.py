"""What a course may not depend on, what control charts say of the same readings, and how often it errs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.history.course import Course, course
from orchestrator.core.verdict.history.likeliest import Fit, places_not_excluded

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.4 (EWMA: these after ten others).
INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *INDIVIDUALS]


def _logs(values: list[float]) -> list[float]:
    return [math.log(value) for value in values]


def test_what_the_handbook_finds_in_control_is_level() -> None:
    """All twenty averages lie within 47.4115 and 52.5884 (6.3.2.4, lambda .3)."""
    found = course(_logs(EWMA))
    assert (found.kind, found.steps, found.slope, found.last_apart) == ("level", (), None, None)


def test_one_run_beyond_the_limit_of_the_individuals_chart_is_told_as_apart() -> None:
    """Limits 45.8159 and 55.8041 (6.3.2.2): 45.8 lies beyond, 50.0 within."""
    beyond = course(_logs([*INDIVIDUALS, 45.8]))
    assert beyond.kind == "level"
    assert beyond.last_apart == pytest.approx(45.8 / math.exp(np.mean(_logs(INDIVIDUALS))))
    assert course(_logs([*INDIVIDUALS, 50.0])).last_apart is None


def _series(seed: int) -> list[float]:
    """Noise, in two of three series with a step, in two of four with a drift."""
    draws, at = np.random.default_rng(seed), np.arange(20)
    step = 0.02 * (seed % 3) * (at >= draws.integers(3, 17))
    return list(7 + 0.01 * draws.standard_normal(20) - step + 0.001 * (seed % 2) * at)


def _shape(found: Course) -> tuple[str, list[int]]:
    return found.kind, [step.place for step in found.steps]


@given(seed=st.integers(0, 10_000), level=st.floats(-50, 50), factor=st.floats(0.01, 50), turn=st.sampled_from([1, -1]))
@settings(max_examples=40, deadline=None)
def test_neither_level_nor_unit_nor_side_matter(seed: int, level: float, factor: float, turn: int) -> None:
    """Throughput, time an operation, any unit: the same steps at the same places."""
    readings = _series(seed)
    assert _shape(course([level + turn * factor * log for log in readings])) == _shape(course(readings))


@given(seed=st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_read_backwards_the_same_steps_lie_at_the_same_places(seed: int) -> None:
    readings = _series(seed)
    kind, places = _shape(course(readings[::-1]))
    assert (kind, sorted(20 - place for place in places)) == _shape(course(readings))


@pytest.mark.parametrize("runs", [6, 12])
def test_a_level_series_is_seldom_called_anything_else(runs: int) -> None:
    """Of at most 5 % so many of 1000 come out with a chance of 99.9 %; found: 4 and 3 %."""
    noise = 7 + 0.01 * np.random.default_rng(3).standard_normal((1000, runs))
    wrong = sum(course(list(series)).kind != "level" for series in noise)
    assert wrong <= stats.binom.isf(0.001, 1000, 0.05)


def test_the_places_that_are_not_excluded_hold_the_true_one() -> None:
    """A step of 2 standard deviations in 20 runs, placed anywhere: in 95 % at least (97), so at most so many miss."""
    draws, held, sizes = np.random.default_rng(6), [], []
    for _ in range(400):
        place = int(draws.integers(5, 16))
        runs = 7 + 0.01 * (draws.standard_normal(20) - 2 * (np.arange(20) >= place))
        likeliest = Fit(runs).best_place()
        assert likeliest is not None
        held.append(place in places_not_excluded(Fit(runs, [likeliest]), likeliest, 0.95))
        found = course(list(runs))
        if found.kind == "steps" and len(found.steps) == 1:
            sizes.append(found.steps[0].low <= math.exp(-0.02) <= found.steps[0].high)
    assert held.count(False) <= stats.binom.isf(0.001, len(held), 0.05)
    assert len(sizes) > 200
    assert sizes.count(False) <= stats.binom.isf(0.001, len(sizes), 0.05)
