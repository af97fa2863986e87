"""What must hold for every series, whatever the statistics inside: units, clocks, warm-ups, noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.log import LogReading, read_log
from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.window import steady_window

MANY = settings(max_examples=40, deadline=None, derandomize=True)
SEEDS = st.integers(0, 2**32 - 1)
PHIS = st.sampled_from([0.0, 0.3, 0.7, 0.9])


def noise(seed: int, n: int, phi: float, sd: float = 0.02) -> np.ndarray:
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return np.asarray(lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi))


def trial(seed: int, phi: float, n: int = 400) -> np.ndarray:
    """A trial with a warm-up, sometimes with dips, gaps or a drift: anything that may be judged."""
    rng = np.random.default_rng(seed)
    series = 1000 * (1 - rng.uniform(0, 0.5) * np.exp(-np.arange(n) / rng.uniform(2, 30))) * (1 + noise(seed, n, phi))
    kind = rng.integers(4)
    if kind == 1:
        series[np.arange(n) % 30 < 3] *= 0.6
    elif kind == 2:
        series[rng.integers(0, n, 5)] = np.nan
    elif kind == 3:
        series *= np.linspace(1, 1 + rng.uniform(-0.1, 0.1), n)
    return series


def same_but(found: LogReading, other: LogReading, scale: float) -> None:
    """Every figure scaled, everything else equal."""
    assert (found.steady, found.n, found.left_out) == (other.steady, other.n, other.left_out)
    assert found.warm_up_end_s == other.warm_up_end_s
    for name in ("mean", "low", "high"):
        one, two = getattr(found, name), getattr(other, name)
        assert (one is None) == (two is None)
        if one is not None:
            assert two == pytest.approx(scale * one, rel=1e-7)


@MANY
@given(SEEDS, PHIS, st.sampled_from([1 / 60, 2.0**-20, 0.37, 60.0, 2.0**30]))
def test_another_unit_scales_the_answer_and_changes_nothing_else(seed, phi, scale):
    series = trial(seed, phi)
    same_but(read_log(None, series.tolist()), read_log(None, (scale * series).tolist()), scale)


@MANY
@given(SEEDS, PHIS, st.sampled_from([-4096.0, 0.5, 86_400.0, 2.0**24]))
def test_another_clock_shifts_the_end_of_the_warm_up_and_nothing_else(seed, phi, shift):
    series, times = trial(seed, phi).tolist(), np.arange(400.0)
    here, there = read_log(times.tolist(), series), read_log((times + shift).tolist(), series)
    assert (here.steady, here.mean, here.low, here.high) == (there.steady, there.mean, there.low, there.high)
    if here.warm_up_end_s is not None:
        assert there.warm_up_end_s == here.warm_up_end_s + shift


@MANY
@given(SEEDS, PHIS, st.sampled_from([-512.0, 8192.0]))
def test_the_window_of_a_trial_counts_from_its_launch(seed, phi, launched_s):
    rates = trial(seed, phi)
    rates = rates[np.isfinite(rates)].tolist()
    rules, found = Measure(), []
    for start_s in (0.0, launched_s):
        series = Throughput([start_s + second + 1 for second in range(len(rates))], [1.0] * len(rates), rates)
        found.append(steady_window(series, launched_s=start_s, rules=rules, confidence=0.95))
    assert found[0] == found[1]


@MANY
@given(SEEDS, PHIS, st.floats(0.1, 0.6), st.sampled_from(["fade", "ramp", "step", "too fast"]), st.integers(3, 60))
def test_a_warm_up_in_front_does_not_move_the_mean_by_more_than_its_interval(seed, phi, size, kind, seconds):
    steady = 1000 * (1 + noise(seed, 600, phi))
    time = np.arange(3 * seconds)
    front = {
        "fade": 1 - size * np.exp(-time / (seconds / 2)),
        "ramp": 1 - size * np.clip(1 - time / seconds, 0, None),
        "step": 1 - size * (time < seconds),
        "too fast": 1 + size * np.exp(-time / (seconds / 2)),
    }[kind]
    before = 1000 * front * (1 + noise(seed + 1, len(front), phi))
    plain, warmed = read_log(None, steady.tolist()), read_log(None, [*before.tolist(), *steady.tolist()])
    if not (plain.steady and warmed.steady):
        return  # refusing is another matter, and counted by the benchmark of the statistics
    assert plain.mean is not None
    assert warmed.mean is not None
    half = max((one.high or 0) - (one.low or 0) for one in (plain, warmed)) / 2
    assert abs(warmed.mean - plain.mean) <= half


@MANY
@given(SEEDS, PHIS, st.floats(1.0, 20.0), st.integers(5, 600))
def test_more_noise_never_narrows_an_interval(seed, phi, louder, n):
    wobble = noise(seed, n, phi)
    quiet = mean_interval((1000 * (1 + wobble)).tolist(), 0.95)
    loud = mean_interval((1000 * (1 + louder * wobble)).tolist(), 0.95)
    assert quiet is not None
    assert loud is not None
    assert (loud.high or 0) - (loud.low or 0) >= ((quiet.high or 0) - (quiet.low or 0)) * (1 - 1e-9)


@MANY
@given(SEEDS, PHIS)
def test_more_confidence_never_narrows_an_interval(seed, phi):
    series = (1000 * (1 + noise(seed, 300, phi))).tolist()
    widths = []
    for confidence in (0.5, 0.9, 0.95, 0.99, 0.999):
        found = mean_interval(series, confidence)
        assert found is not None
        widths.append((found.high or 0) - (found.low or 0))
    assert widths == sorted(widths)


@MANY
@given(SEEDS, PHIS, st.integers(10, 600))
def test_a_series_and_its_mirror_image_have_the_same_width(seed, phi, n):
    """Slow seconds and fast ones count alike once the steady part is known."""
    wobble = 1000 * (1 + noise(seed, n, phi))
    found, mirrored = mean_interval(wobble.tolist(), 0.95), mean_interval((2000 - wobble).tolist(), 0.95)
    assert found is not None
    assert mirrored is not None
    assert mirrored.mean == pytest.approx(2000 - found.mean, rel=1e-9)
    assert mirrored.low == pytest.approx(2000 - (found.high or 0), rel=1e-9)
