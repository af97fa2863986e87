"""Where a warm-up ends: by the formula of its shape, within the interval that is given, and with its probability."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.measure.steady.steady_state import Steady, steady_state
from orchestrator.core.measure.steady.transient import POINTS, SMALL, warm_up
from orchestrator.testing.series import known


def noise(seed: int, n: int, phi: float = 0.0, sd: float = 10.0) -> np.ndarray:
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return np.asarray(lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi))


@pytest.mark.parametrize(
    ("name", "end"),
    # a exp(-t/tau) falls to one percent of the level after tau ln(a / 0.01): 50 ln 40 and 6 ln 30; T2 steps at 200.
    [("T1", 50 * math.log(40)), ("T5", 6 * math.log(30)), ("T2", 200)],
)
def test_known_warm_ups_end_where_their_formula_says(name, end):
    found = warm_up(np.array(known(name)))
    assert found.end(0.02) - 2 <= end <= found.end(0.98) + 2
    assert found.end(0.5) == pytest.approx(end, rel=0.25)


TIME = np.arange(600)
SHAPES = {
    "exponential": (-0.4 * np.exp(-TIME / 30), 30 * math.log(40)),
    "down": (0.3 * np.exp(-TIME / 40), 40 * math.log(30)),
    "ramp": (-0.5 * np.clip(1 - TIME / 150, 0, None), 147),
    "step": (np.where(TIME < 120, -0.2, 0), 120),
    "late ramp": (-0.3 * np.clip(1 - (TIME - 80) / 80, 0, 1), 157),
    "two time constants": (-0.4 * np.exp(-TIME / 10) - 0.1 * np.exp(-TIME / 60), 60 * math.log(10)),
    "overshoot": (0.15 * np.exp(-TIME / 60) - 0.5 * np.exp(-TIME / 15), 60 * math.log(15)),
    "late exponential": (-0.4 * np.exp(-np.clip(TIME - 60, 0, None) / 20), 60 + 20 * math.log(40)),
    "ringing": (-0.4 * np.exp(-TIME / 40) * np.cos(2 * TIME / 40), None),
}


@pytest.mark.parametrize("phi", [0.0, 0.6])
@pytest.mark.parametrize("shape", list(SHAPES))
def test_each_shape_ends_within_its_interval(shape, phi):
    """Intervals of 90 %: of 20 series under one percent of noise more than 5 fall outside once in a hundred times."""
    path, end = SHAPES[shape]
    if end is None:
        end = int(np.flatnonzero(np.abs(path) > SMALL)[-1]) + 1
    outside = 0
    for seed in range(20):
        found = steady_state(1000 * (1 + path) + noise(seed, 600, phi))
        assert isinstance(found, Steady)
        assert found.start_index >= 0.85 * end
        outside += not found.earliest <= end <= found.latest
    assert outside <= 5


@pytest.mark.parametrize("phi", [0.0, 0.6])
@pytest.mark.parametrize(
    ("path", "end"),
    [(-0.4 / (1 + np.exp((TIME - 60) / 12)), 60 + 12 * math.log(39)), (-0.4 / (1 + TIME / 4), 4 * 39)],
)
def test_seldom_shapes_are_mostly_not_cut_too_early(path, end, phi):
    """A logistic curve and a hyperbola, by their formulas. Without these shapes, two in three hyperbolas were."""
    found = [steady_state(1000 * (1 + path) + noise(seed, 600, phi)) for seed in range(20)]
    assert sum(isinstance(one, Steady) and one.start_index >= end for one in found) >= 17


def test_probabilities_are_probabilities():
    found = warm_up(1000 * (1 - 0.3 * np.exp(-np.arange(300) / 40)) + noise(1, 300, 0.5))
    assert found.weights.sum() == pytest.approx(1)
    assert (np.diff(found.ends) >= 0).all()
    assert found.ended_by(300) == pytest.approx(1)
    ends = [found.end(p) for p in (0.0, 0.1, 0.5, 0.9, 1.0)]
    assert ends == sorted(ends)


def test_a_level_series_has_probably_no_warm_up_and_noise_leaves_doubt():
    calm, wild = warm_up(1000 + noise(2, 600, sd=3.0)), warm_up(1000 + noise(2, 600, 0.9, sd=60.0))
    assert calm.end(0.8) == 0
    assert wild.end(0.95) > 50  # three percent for a minute could not be seen


@pytest.mark.parametrize(
    ("path", "shape"),
    [
        (0.2 * TIME / 600, "line"),
        (0.1 * np.sin(2 * np.pi * 1.5 * TIME / 600), "wave"),
        (np.where(TIME < 450, 0, 0.1), "step"),
        (-0.6 * np.exp(-TIME / 300), "exponential|two exponentials|ramp"),
    ],
)
def test_what_has_not_ended_is_named(path, shape):
    found = warm_up(1000 * (1 + path) + noise(4, 600, 0.3))
    assert found.ended_by(300) < 0.05
    late = found.shape_beyond(300)
    assert late is not None
    assert late[0] in shape.split("|")  # a slow exponential is no step, line or wave


def test_nothing_is_later_than_the_end():
    found = warm_up(np.full(50, 3.0))
    assert found.shape_beyond(25) is None
    assert found.end(1.0) == 0


@pytest.mark.parametrize("n", [10, 11, 25, POINTS - 1, POINTS, POINTS + 1, 1801])
def test_every_length_works(n):
    found = warm_up(1000 + noise(6, n))
    assert found.readings == n
    assert len(found.path) == n
    assert 0 <= found.end(1.0) <= n
