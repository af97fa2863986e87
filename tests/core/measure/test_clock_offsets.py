"""Clock offsets by four timestamps (RFC 5905, section 8), and clock rates from two of them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.clock import Exchange, Offset, best_offset
from orchestrator.core.measure.clock_rate import clock_rate, controller_time


@pytest.mark.parametrize(
    ("stamps", "offset", "delay"),
    [
        # The formulas are RFC 5905's; the first line is a common teaching example, the others are computed by hand.
        ((36000, 39601, 39602, 36003), 3600, 2),
        ((100.000, 100.530, 100.531, 100.061), 0.500, 0.060),  # true offset .5, 30 ms each way
        ((0, 0.550, 0.551, 0.061), 0.520, 0.060),  # true offset .5, 50 ms out, 10 ms back
    ],
)
def test_offset_and_delay(stamps, offset, delay):
    exchange = Exchange(*stamps)
    assert exchange.offset_s == pytest.approx(offset, abs=1e-9)
    assert exchange.delay_s == pytest.approx(delay, abs=1e-9)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.floats(-100, 100), st.floats(0, 1), st.floats(0, 1), st.floats(0, 0.1))
def test_the_error_is_at_most_half_the_round_trip(true_offset, out, back, spent):
    exchange = Exchange(0.0, out + true_offset, out + spent + true_offset, out + spent + back)
    chosen = best_offset([exchange])
    assert abs(chosen.offset_s - true_offset) <= chosen.uncertainty_s + 1e-9


def test_the_smallest_round_trip_wins():
    slow, fast = Exchange(0, 0.55, 0.55, 0.10), Exchange(1, 1.505, 1.505, 1.01)
    chosen = best_offset([slow, fast, slow])
    assert chosen.offset_s == pytest.approx(0.5)
    assert chosen.exchanges == 3
    with pytest.raises(ValueError, match="no exchange"):
        best_offset([])


def test_a_clock_that_gains_is_found_with_its_uncertainty():
    rate = clock_rate(Offset(5.0, 0.001, 100.0, 10), Offset(5.2, 0.003, 200.0, 10))
    assert rate is not None
    assert rate.rate == pytest.approx(0.002)
    assert rate.uncertainty == pytest.approx(0.00004)
    assert clock_rate(Offset(5.0, 0, 100.0, 1), Offset(5.2, 0, 100.0, 1)) is None


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(-0.05, 0.05), st.floats(-1e4, 1e4), st.floats(0, 1000))
def test_times_come_back_through_a_clock_of_any_rate(rate, offset, instant):
    def source(t: float) -> float:
        return t + offset + rate * (t - 100)

    before, after = Offset(source(100) - 100, 0, 100, 1), Offset(source(900) - 900, 0, 900, 1)
    assert controller_time(source(instant), before, clock_rate(before, after)) == pytest.approx(instant, abs=1e-6)


def test_one_offset_alone_shifts():
    assert controller_time(7.5, Offset(2.5, 0, 0, 1), None) == 5.0
