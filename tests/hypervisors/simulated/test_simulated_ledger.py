"""Accounts that grow at constant rates, and the load average."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.hypervisors.simulated.ledger import Ledger, LoadAverage

STEPS = st.lists(st.tuples(st.floats(0, 1e5), st.floats(0, 1)), max_size=20)


@given(STEPS)
def test_run_and_the_rest_add_up_to_the_time_that_passed(steps: list[tuple[float, float]]) -> None:
    now_s = 7.0
    ledger = Ledger(now_s, [0.25, 0.75])
    for wait_s, share in steps:
        now_s += wait_s
        ledger.change(now_s, [share, 1 - share])
    assert math.fsum(ledger.at(now_s + 3)) == pytest.approx(now_s + 3 - 7, rel=1e-9)


def test_looking_does_not_change_an_account() -> None:
    ledger = Ledger(0, [2.0])
    assert ledger.at(5) == ledger.at(5) == [10.0]
    ledger.change(5, [0.0])
    assert ledger.at(100) == [10.0]


def test_load_average() -> None:
    """After a minute of two runnable tasks on an idle machine: 2 (1 - 1/e), by the definition of the smoothing."""
    average = LoadAverage(0, 0)
    average.change(0, 2)
    assert average.at(60) == pytest.approx(2 * (1 - math.exp(-1)))
    average.change(60, 0)
    assert average.at(120) == pytest.approx(2 * (1 - math.exp(-1)) * math.exp(-1))
