"""Series that nobody foresaw get an answer without a warning, and the same one in any unit.

Warnings are errors here as in every test, so an overflow, or a division by nothing, fails.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.cleaning import clean
from orchestrator.core.measure.log import read_log
from orchestrator.core.measure.mean import mean_interval
from orchestrator.core.measure.method import explain_series
from orchestrator.core.measure.readings import Values, binary_unit
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.steady.periodic import find_period
from orchestrator.core.measure.steady.steady_state import Steady, steady_state
from orchestrator.core.measure.watch import watch
from orchestrator.core.measure.window import steady_window

LENGTHS = (0, 1, 4, 5, 9, 10, 41, 75, 300)


def with_one(rng: np.random.Generator, n: int, odd: float) -> Values:
    values = 5 + rng.normal(0, 0.01, n)
    values[rng.integers(0, n, min(n, 1))] = odd
    return values


STRANGE: dict[str, Callable[[np.random.Generator, int], Values]] = {
    "zeros": lambda _, n: np.zeros(n),
    "constant": lambda _, n: np.full(n, 7.3),
    "two values": lambda rng, n: rng.choice([1.0, 2.0], n),
    "nearly always one value": lambda rng, n: rng.choice([0.0, 5.0, 1e6], n, p=[0.02, 0.96, 0.02]),
    "mostly missing": lambda rng, n: np.where(rng.random(n) < 0.9, math.nan, rng.normal(100, 1, n)),
    "infinite": lambda rng, n: np.where(rng.random(n) < 0.2, rng.choice([math.inf, -math.inf], n), 3.0),
    "mostly zero": lambda rng, n: np.where(rng.random(n) < 0.95, 0.0, rng.normal(100, 5, n)),
    "negative": lambda rng, n: -np.abs(rng.normal(100, 20, n)),
    "around zero": lambda rng, n: rng.normal(0, 1, n),
    "integers": lambda rng, n: rng.integers(0, 3, n).astype(float),
    "alternating": lambda _, n: np.where(np.arange(n) % 2, 1.0, 1e5),
    "one huge": lambda rng, n: with_one(rng, n, 1e300),
    "one tiny": lambda rng, n: with_one(rng, n, 1e-300),
    "one negative": lambda rng, n: with_one(rng, n, -1e6),
    "far from zero": lambda rng, n: 1e15 + np.round(rng.normal(0, 1, n)),
    "line": lambda _, n: np.arange(n, dtype=float),
    "wide apart": lambda rng, n: 10 ** rng.uniform(-5, 5, n) * rng.choice([-1, 1], n),
    "step by a million": lambda _, n: np.where(np.arange(n) < n // 3, 1.0, 1e6),
    "dips": lambda _, n: np.where(np.arange(n) % 30 < 3, 50.0, 100.0),
    "rounded": lambda rng, n: np.round(rng.normal(100, 20, n) / 50) * 50,
}


@pytest.mark.parametrize("scale", [1.0, 1e-310, 1e300])
@pytest.mark.parametrize("kind", list(STRANGE))
def test_every_judgement_has_an_answer(kind, scale):
    rules = Measure()
    for n in LENGTHS:
        values = STRANGE[kind](np.random.default_rng(n), n)
        with np.errstate(over="ignore"):  # one huge value times a huge scale is infinite
            values = values * scale
        clean(values)
        find_period(values)
        mean_interval(values, 0.95)
        reading = read_log(None, values.tolist())
        explain_series(None, values.tolist(), confidence=0.95, mean_over_s=reading.window_s)
        found = steady_state(values)
        if isinstance(found, Steady):
            kept, before = np.isfinite(values).sum(), np.isfinite(values[: found.start_index]).sum()
            assert before <= kept / 2
            assert 0 <= found.earliest <= found.latest < n
        series = Throughput([float(second + 1) for second in range(n)], [1.0] * n, values.tolist())
        watch(series, 0.0, rules, 0.95, n + 600.0)
        steady_window(series, launched_s=0.0, rules=rules, confidence=0.95)


@pytest.mark.parametrize("kind", list(STRANGE))
def test_a_unit_that_is_a_power_of_two_changes_no_digit(kind):
    for n in (1, 5, 10, 41, 160):
        values = STRANGE[kind](np.random.default_rng(n), n)
        here = read_log(None, values.tolist())
        for scale in (2.0**-40, 2.0**60):
            with np.errstate(over="ignore"):
                there = read_log(None, (values * scale).tolist())
            same = ("steady", "kind", "window_s", "earliest_s", "latest_s", "period_s", "effective_samples", "freedom")
            if math.isfinite(float(np.nanmax(np.abs(values), initial=0.0)) * scale):
                assert [getattr(here, name) for name in same] == [getattr(there, name) for name in same]
                for name in ("mean", "low", "high"):
                    one = getattr(here, name)
                    assert getattr(there, name) == (None if one is None else one * scale)


@pytest.mark.parametrize("value", [5e-324, 1e-310, 0.75, 1.0, 3.0, 1e300, 1.7e308])
def test_the_unit_is_the_power_of_two_below_the_largest(value):
    unit = binary_unit(np.array([0.0, -value, math.nan]))
    assert math.frexp(unit)[0] == 0.5
    assert 1 <= value / unit < 2
    assert binary_unit(np.array([0.0, math.nan])) == 1
