"""A trial watched while it runs: what is said when, and what it takes to stop early."""

from __future__ import annotations

import math
import statistics
import time

import numpy as np
import pytest
from scipy.signal import lfilter

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.mean import relative_half_width
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.watch import ENOUGH_CHANGED, ENOUGH_LEVEL, Enough, GaveUp, Measuring, Warming, watch

DEMO = {
    "every": "1 s",
    "warm-up": {"at-least": "3 s", "at-most": "20 s"},
    "steady": {"at-least": "8 s", "at-most": "20 s", "until-within": "5 %"},
}
LONG = {
    "every": "1 s",
    "warm-up": {"at-least": "10 s", "at-most": "5 min"},
    "steady": {"at-least": "60 s", "at-most": "10 min", "until-within": "2 %"},
}


def rules(text, **changes):
    return Measure.model_validate({**text, **changes})


def noise(seed, n, phi=0.0, sd=0.01):
    z = np.random.default_rng(seed).standard_normal(n + 200)
    return lfilter([1.0], [1.0, -phi], z)[200:] * sd * math.sqrt(1 - phi * phi)


def series(rates, every_s=1.0, launched_s=0.0):
    n = len(rates)
    return Throughput([launched_s + every_s * (i + 1) for i in range(n)], [every_s] * n, [float(r) for r in rates])


def states(rates, limits, every_s=1.0, launched_s=0.0, stride=1):
    """Each state from launch on, at every so manieth reading, until the trial ends."""
    found = []
    for n in range(0, len(rates) + 1, stride):
        state = watch(series(rates[:n], every_s, launched_s), launched_s, limits, 0.95, launched_s + every_s * n + 0.01)
        found.append(state)
        if isinstance(state, Enough | GaveUp):
            break
    return found


def last_state(rates, limits, seconds_apart=1):
    """The last state of a trial that is looked at when it has grown by a tenth, half as often as by the engine.

    The first looks, which cannot end it yet, are left out.
    """
    settled_s = min(wait.of(limits) for wait in (ENOUGH_LEVEL, ENOUGH_CHANGED))
    n = min(max(math.floor(settled_s), 20), len(rates))
    while True:
        state = watch(series(rates[:n]), 0.0, limits, 0.95, n + 0.01)
        if isinstance(state, Enough | GaveUp) or n == len(rates):
            return state, n
        n = min(max(n + seconds_apart, math.ceil(1.1 * n)), len(rates))


def test_a_short_demo_goes_from_warming_to_measuring_to_enough():
    rates = 500 * (1 - 0.5 * np.exp(-np.arange(40) / 0.7)) * (1 + noise(1, 40, sd=0.02))
    found = states(rates, rules(DEMO, every="500 ms"), every_s=0.5)
    kinds = [type(state) for state in found]
    assert kinds[:6] == [Warming] * 6  # not before warm-up.at-least
    assert set(kinds[6:-1]) <= {Warming, Measuring}
    last = found[-1]
    assert isinstance(last, Enough)
    assert last.window.start_s >= 2.75
    assert last.window.end_s - last.window.start_s >= 7.75
    assert last.interval.mean == pytest.approx(500, rel=0.03)


def test_a_quiet_workload_is_measured_no_longer_than_at_least():
    found = states(1000 * (1 + noise(2, 100, sd=0.002)), rules(DEMO))
    assert isinstance(found[-1], Enough)
    assert len(found) - 1 <= 3 + 8 + 2
    assert "within" in found[-1].why


def test_a_constant_workload_is_enough_at_once_and_a_dead_one_never_precise():
    assert len(states([700.0] * 60, rules(DEMO))) - 1 <= 12
    dead = states([0.0] * 60, rules(DEMO))
    assert isinstance(dead[-1], Enough)
    assert dead[-1].interval.mean == 0
    assert len(dead) - 1 >= 22


def test_a_noisy_workload_ends_at_at_most_and_says_what_was_reached():
    found = states(1000 * (1 + noise(3, 100, sd=0.3)), rules(DEMO))
    assert isinstance(found[-1], Enough)
    assert "all that is allowed" in found[-1].why
    assert "± 5 % asked for" in found[-1].why
    assert 20 - 1 <= found[-1].window.end_s - found[-1].window.start_s <= 20 + 1


def test_a_drift_is_given_up_at_the_end_of_the_warm_up_and_a_stretch():
    rates = 1000 * (1 + 0.0005 * np.arange(800)) * (1 + noise(4, 800))
    found, seconds = last_state(rates, rules(LONG))
    assert isinstance(found, GaveUp)
    assert "drifts: +1" in found.reason
    assert 360 <= seconds <= 396  # the first look after 300 s and 60 s


def test_a_late_but_real_steady_state_gets_the_time_to_be_proved():
    """A ramp of 240 s is within at-most (300 s); that it is over can be known only about 480 s after launch."""
    rates = 1000 * (1 + noise(5, 900, sd=0.01))
    rates[:240] *= np.linspace(0.2, 1.0, 240)
    found, seconds = last_state(rates, rules(LONG))
    assert isinstance(found, Enough)
    assert found.interval.mean == pytest.approx(1000, rel=0.01)
    assert found.window.start_s >= 220
    assert seconds > 360


def test_a_step_that_comes_after_an_early_stop_cannot_be_seen():
    """The known blind spot, kept in sight: throttling after minutes needs a trial that lasts minutes (``at-least``)."""
    rates = 1000 * (1 + noise(5, 900, sd=0.01))
    rates[400:] *= 0.6
    assert isinstance(early := last_state(rates, rules(LONG))[0], Enough)
    assert early.interval.mean == pytest.approx(1000, rel=0.01)
    soak = rules({**LONG, "steady": {"at-least": "8 min", "at-most": "10 min", "until-within": "2 %"}})
    late, _ = last_state(rates, soak)
    assert isinstance(late, GaveUp) or late.interval.mean == pytest.approx(600, rel=0.01)


def test_silence_is_given_up():
    limits = rules(DEMO)
    assert isinstance(watch(series([]), 0.0, limits, 0.95, 5.0), Warming)
    last = watch(series([]), 0.0, limits, 0.95, 28.5)
    assert isinstance(last, GaveUp)
    assert "no throughput was read" in last.reason


def test_nothing_is_watched_longer_than_both_limits_together():
    for seed in range(5):
        walk = 1000 + np.cumsum(np.random.default_rng(seed).standard_normal(200)) * 20
        found = states(walk, rules(DEMO))
        assert isinstance(found[-1], Enough | GaveUp)
        assert len(found) - 1 <= 41


@pytest.mark.parametrize("launched_s", [0.0, 8192.0, -512.0])
def test_the_clocks_start_means_nothing(launched_s):
    rates = 1000 * (1 - 0.5 * np.exp(-np.arange(200) / 6)) * (1 + noise(6, 200, 0.5, 0.03))
    here, there = states(rates, rules(DEMO)), states(rates, rules(DEMO), launched_s=launched_s)
    assert here[-1] == there[-1]


def test_a_state_can_be_repeated_from_the_series_alone():
    rates = 1000 * (1 + noise(7, 50, 0.5, 0.05))
    limits = rules(DEMO)
    assert watch(series(rates), 0.0, limits, 0.95, 50.0) == watch(series(rates), 0.0, limits, 0.95, 50.0)


def first_narrow(rates, target):
    """The naive rule: seconds taken for independent, stop as soon as the interval looks narrow."""
    for n in range(20, len(rates) + 1):
        kept = rates[10:n]
        if 1.96 * kept.std(ddof=1) / math.sqrt(len(kept)) <= target * kept.mean():
            return float(kept.mean())
    return float(rates.mean())


def test_looking_again_and_again_does_not_fool_it():
    """Shown to fail: on the same correlated series the naive rule misses its own target far more often."""
    ours = naive = 0
    for seed in range(5):
        rates = 1000 * (1 + noise(200 + seed, 920, 0.9, 0.04))
        last, _ = last_state(rates, rules(LONG))
        assert isinstance(last, Enough | GaveUp)
        ours += isinstance(last, Enough) and abs(last.interval.mean / 1000 - 1) > 0.02
        naive += abs(first_narrow(rates, 0.02) / 1000 - 1) > 0.02
    assert naive >= 2
    assert ours == 0


def test_a_slow_small_warm_up_under_noise_is_mostly_waited_for():
    """A transient of 12 % with a time constant of 80 s, under noise of 3 %: the hardest that a minute can be asked."""
    limits = rules({**LONG, "steady": {**LONG["steady"], "until-within": "1 %"}})
    wrong = 0
    for seed in range(5):
        rates = 1000 * (1 - 0.12 * np.exp(-np.arange(700) / 80)) * (1 + noise(500 + seed, 700, sd=0.03))
        last, _ = last_state(rates, limits)
        wrong += isinstance(last, Enough) and abs(last.interval.mean / 1000 - 1) > 0.01
    assert wrong <= 1


def test_what_is_stopped_early_is_as_precise_as_it_says():
    hits = widths = 0
    for seed in range(12):
        last, _ = last_state(1000 * (1 + noise(300 + seed, 620, 0.3, 0.03)), rules(LONG))
        assert isinstance(last, Enough)
        width = relative_half_width(last.interval)
        assert width is not None
        assert width <= 0.02
        widths += 1
        hits += (last.interval.low or 0) <= 1000 <= (last.interval.high or 0)
    assert hits / widths >= 0.9


@pytest.mark.real
def test_a_look_at_half_an_hour_of_seconds_takes_milliseconds():
    rates = 1000 * (1 - 0.5 * np.exp(-np.arange(1800) / 30)) * (1 + noise(8, 1800, 0.5, 0.03))
    half_an_hour, limits = series(rates), rules(LONG)
    spent = []
    for _ in range(15):
        began = time.thread_time()
        watch(half_an_hour, 0.0, limits, 0.95, 1800.0)
        spent.append(time.thread_time() - began)
    # Seconds of CPU. The engine looks again when the trial has grown by a twentieth, here after 90 seconds.
    assert statistics.median(spent) < 0.020


def test_a_slow_warm_up_under_noise_is_not_mistaken_for_a_level():
    """Fades with 60 to 100 s, under 3 % of noise. Shown to fail: without what the early part tells about the tail (the
    fifth brake), and with halves that may differ as much as the interval is wide, 5 of 16 stopped outside their 2 %.
    """
    wrong = stopped = 0
    for seed in range(8):
        rng = np.random.default_rng(700 + seed)
        fading = rng.uniform(0.1, 0.3) * np.exp(-np.arange(900) / rng.uniform(60, 100))
        last, _ = last_state(1000 * (1 - fading) * (1 + noise(700 + seed, 900, 0.5, 0.03)), rules(LONG))
        if isinstance(last, Enough):
            stopped += 1
            wrong += abs(last.interval.mean / 1000 - 1) > 0.02
    assert stopped >= 6
    assert wrong <= 1


def test_one_unlucky_look_is_no_reason_to_give_up():
    """Steady all along, under 5 % of correlated noise. With a single look 3 of these 30 were given up."""
    limits = rules(
        DEMO,
        **{
            "warm-up": {"at-least": "5 s", "at-most": "30 s"},
            "steady": {"at-least": "20 s", "at-most": "60 s", "until-within": "2 %"},
        },
    )
    given_up = 0
    for seed in range(30):
        last, _ = last_state(1000 * (1 + noise(800 + seed, 95, 0.6, 0.05)), limits, seconds_apart=2)
        given_up += isinstance(last, GaveUp)
    assert given_up <= 1
