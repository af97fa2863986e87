"""Where time is best spent: shape of the advice, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.verdict.inference.levels import Spending, advice
from orchestrator.core.verdict.inference.power import POWER
from orchestrator.core.verdict.inference.uncertainty import mean_of

CASE = {"within": 0.02, "between": 1e-4, "overhead_s": 90.0, "window_s": 480.0, "target": 0.02}


def test_the_best_window_is_near_kalibera_and_jones_optimum() -> None:
    """Where many trials are needed, so that their number is as good as continuous: sqrt(overhead within / between)."""
    found = advice(within=0.5, between=1e-4, overhead_s=60.0, window_s=120.0, target=0.005)
    assert found.best.window_s == pytest.approx(math.sqrt(60 * 0.5 / 1e-4), rel=0.25)
    assert found.longer is True


@pytest.mark.parametrize("window_s", [120.0, 480.0])
def test_as_many_trials_do_tell_the_cells_apart(window_s: float) -> None:
    """Simulated experiments of the size advised decide as often as promised, and one trial fewer does not."""
    case = CASE | {"window_s": window_s}
    found = advice(**case).now
    assert found.trials is not None
    rng = np.random.default_rng(13)
    sd = math.sqrt(2 * (case["between"] + case["within"] / window_s))
    shown = {}
    for trials in (found.trials, found.trials - 1):
        intervals = (mean_of(row).interval(0.95) for row in rng.normal(0.02, sd, (3000, trials)).tolist())
        shown[trials] = np.mean([low > 0 for low, _ in filter(None, intervals)])
    assert shown[found.trials] >= POWER - 0.02
    assert shown[found.trials - 1] < POWER + 0.02


def test_minutes_are_those_of_both_cells_with_switching() -> None:
    found = advice(**CASE).now
    assert found.trials is not None
    assert found.minutes == pytest.approx(2 * found.trials * (480 + 90) / 60)


def test_seconds_that_tell_nothing_are_saved() -> None:
    """Nearly all scatter is between trials: eight minutes of each are too long."""
    found = advice(**CASE | {"within": 1e-4})
    assert found.from_seconds < 0.01
    assert found.longer is False
    assert found.best.minutes is not None
    assert found.now.minutes is not None
    assert found.best.minutes < found.now.minutes


def test_a_small_gain_is_not_worth_a_change() -> None:
    best = advice(**CASE).best
    again = advice(**CASE | {"window_s": best.window_s})
    assert again.longer is None
    assert again.best == again.now == best


def test_what_no_plan_can_hold_is_not_given_a_number() -> None:
    found = advice(**CASE | {"between": 1.0})
    assert found.now == found.best == Spending(480.0, None, None)


@given(
    st.floats(1e-6, 1.0), st.floats(1e-8, 1e-3), st.floats(1.0, 600.0), st.floats(60.0, 1800.0), st.floats(0.005, 0.1)
)
def test_the_advice_never_takes_longer_than_now(
    within: float, between: float, overhead_s: float, window_s: float, target: float
) -> None:
    found = advice(within=within, between=between, overhead_s=overhead_s, window_s=window_s, target=target)
    assert 0 <= found.from_seconds <= 1
    if found.now.minutes is not None:
        assert found.best.minutes is not None
        assert found.best.minutes <= found.now.minutes


@pytest.mark.parametrize("wrong", [{"within": -1.0}, {"between": -1e-9}, {"overhead_s": 0.0}, {"target": 0.0}])
def test_quantities_that_are_none_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="advice needs"):
        advice(**CASE | wrong)
