"""MSER against fractions that can be checked by hand and against two reference implementations.

Definition: White 1997, Simulation 69:323. The answers for T1 to T5 were recomputed with numpy and agree with pymser
1.0.22 (equilibrate, batch 1) and kim-convergence 0.1.0 (mser_m, batch 5).
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.steady.truncation import marginal_standard_error, mser
from orchestrator.testing.series import known

T0_CURVE = ["1/3", "228/1331", "19/250", "4/81", "23/512", "20/343", "17/216", "2/25", "1/8", "2/27", "1/8"]


def test_t0_has_the_curve_that_can_be_computed_by_hand():
    curve = marginal_standard_error(known("T0"))
    assert curve[:11] == pytest.approx([float(Fraction(g)) for g in T0_CURVE], rel=1e-12)


def test_t0_is_cut_where_both_reference_implementations_cut_it():
    found = mser(known("T0"))
    assert found is not None
    assert (found.index, found.settled) == (4, True)
    assert found.statistic == pytest.approx(23 / 512, rel=1e-12)
    assert np.mean(known("T0")[found.index :]) == 3.875


@pytest.mark.parametrize(
    ("name", "batch", "index", "statistic", "settled"),
    [
        ("T1", 1, 128, 0.01392486, True),
        ("T1", 5, 130, 0.03515519, True),
        ("T2", 1, 200, 0.00484759, True),
        ("T2", 5, 205, 0.00448494, True),
        ("T3", 1, 80, 0.00548016, True),
        ("T3", 5, 80, 0.02366263, True),
        ("T4", 1, 650, None, False),
        ("T4", 5, 965, None, False),
        ("T5", 1, 22, 0.01710555, True),
        ("T5", 5, 25, 0.01678740, True),
    ],
)
def test_known_series_are_cut_as_by_the_references(name, batch, index, statistic, settled):
    found = mser(known(name), batch)
    assert found is not None
    assert (found.index, found.settled) == (index, settled)
    if statistic is not None:
        assert found.statistic == pytest.approx(statistic, abs=5e-9)


def test_without_the_guarded_tail_the_rule_would_run_away():
    """Shown to fail: the unguarded curve has its smallest values at the very end, by chance."""
    for name in ("T1", "T3", "T5"):
        curve = marginal_standard_error(known(name))
        assert int(np.argmin(curve[:-1])) > len(curve) // 2


@pytest.mark.parametrize(("length", "batch"), [(0, 1), (5, 1), (25, 5), (29, 5)])
def test_nothing_is_proposed_where_nothing_is_left_to_search(length, batch):
    assert mser([1.0] * length, batch) is None


def test_a_batch_of_nothing_is_refused():
    with pytest.raises(ValueError, match="batch of 0"):
        mser([1.0] * 20, 0)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(-1e3, 1e3), min_size=12, max_size=80),
    st.sampled_from([0.25, 2.0, 1024.0]),
    st.sampled_from([0.0, 512.0, -4096.0]),
)
def test_the_curve_scales_with_the_square_and_ignores_the_level(values, scale, shift):
    plain = marginal_standard_error(values)
    moved = marginal_standard_error(np.array(values) * scale + shift)
    assert moved == pytest.approx(plain * scale**2, rel=1e-6, abs=1e-6 * scale**2)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.floats(-1e3, 1e3), min_size=7, max_size=60))
def test_the_fast_curve_is_the_definition(values):
    series = np.array(values)
    for k, g in enumerate(marginal_standard_error(values)):
        kept = series[k:]
        assert g == pytest.approx(float(((kept - kept.mean()) ** 2).sum()) / len(kept) ** 2, rel=1e-6, abs=1e-7)
