"""Chance: its size and correlation against the formulas it claims, and its repeatability."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest

from orchestrator.hypervisors.simulated.noise import Operations
from orchestrator.hypervisors.simulated.settings import SimulatedSettings


def settings(
    within: str = "0 %", correlation: str = "0 %", between: str = "0 %", depth: str = "0 %", seed: int = 3
) -> SimulatedSettings:
    return SimulatedSettings.model_validate(
        {
            "noise": {"within": within, "correlation": correlation, "between": between},
            "warm-up": {"time-constant": "20 s", "depth": depth},
            "seed": seed,
        }
    )


def rates(operations: Operations, seconds: int) -> np.ndarray:
    return np.diff([operations.until(second) for second in range(seconds + 1)])


def test_without_noise_the_count_is_the_integral_of_the_warm_up_curve() -> None:
    operations = Operations(settings(depth="40 %"), 100.0, "any")
    for t in (0, 1, 2, 19, 511, 512, 513, 1024, 2000):
        exact = 100 * (t - 0.4 * 20 * (1 - math.exp(-t / 20)))
        assert operations.until(t) == pytest.approx(exact, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_within_a_trial_noise_has_the_declared_deviation_and_correlation(phi: float) -> None:
    """AR(1): r_1 = phi with standard error sqrt((1 - phi^2) / n) (Bartlett 1946); four of them are allowed."""
    n = 40_000
    series = rates(Operations(settings("2 %", f"{phi * 100:.0f} %"), 100.0, "long"), n)
    error = series / 100 - 1
    centred = error - error.mean()
    r1 = float((centred[1:] * centred[:-1]).sum() / (centred**2).sum())
    assert r1 == pytest.approx(phi, abs=4 * math.sqrt((1 - phi**2) / n) + 1 / n)
    # Var(s^2) / sigma^4 is about 2 / n (1 + phi^2) / (1 - phi^2) for AR(1), from the sum of squared autocorrelations.
    spread = math.sqrt(2 / n * (1 + phi**2) / (1 - phi**2)) / 2
    assert error.std() == pytest.approx(0.02, rel=4 * spread)


def test_the_mean_of_a_trial_varies_as_an_autoregression_must() -> None:
    """Var(mean) / sigma^2 = 0.0296 for phi = 0.5, n = 100 (exact AR(1) formula); 1500 trials give it to about 4 %."""
    declared = settings("2 %", "50 %")
    means = [Operations(declared, 1.0, f"trial {i}").until(100) / 100 for i in range(1500)]
    assert statistics.variance(means) / 0.02**2 == pytest.approx(0.0296, rel=4 * math.sqrt(2 / 1500))


def test_noise_is_stationary_from_the_first_second() -> None:
    declared = settings("2 %", "90 %")
    firsts = [Operations(declared, 1.0, f"trial {i}").until(1) - 1 for i in range(1500)]
    assert statistics.stdev(firsts) == pytest.approx(0.02, rel=4 * math.sqrt(1 / 3000))


def test_between_trials_the_factor_is_lognormal_with_mean_one() -> None:
    declared = settings(between="10 %")
    factors = [Operations(declared, 1.0, f"trial {i}").factor for i in range(2000)]
    logs = [math.log(factor) for factor in factors]
    assert statistics.stdev(logs) == pytest.approx(0.1, rel=4 * math.sqrt(1 / 4000))
    assert statistics.fmean(factors) == pytest.approx(1, abs=4 * 0.1 / math.sqrt(2000))


def test_a_trial_is_repeatable_alone_and_in_any_order() -> None:
    declared = settings("2 %", "50 %", "5 %")
    forward = {name: Operations(declared, 1.0, name).until(700) for name in "abc"}
    backward = {name: Operations(declared, 1.0, name).until(700) for name in "cba"}
    assert forward == backward
    assert len(set(forward.values())) == 3
    looked_at_in_between = Operations(declared, 1.0, "a")
    assert [looked_at_in_between.until(s) for s in (3, 699, 5)][1] < looked_at_in_between.until(700) == forward["a"]


def test_another_seed_is_another_chance() -> None:
    assert Operations(settings("2 %", seed=1), 1.0, "a").until(9) != Operations(
        settings("2 %", seed=2), 1.0, "a"
    ).until(9)


def test_the_count_never_falls_however_wild_the_noise() -> None:
    assert rates(Operations(settings("49 %", "99 %"), 1.0, "wild"), 5000).min() >= 0
