"""Which cells are compared, and what is said of two."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from verdict_cases import blocks, experiments, observe

from orchestrator.core.verdict.cells import cells_of
from orchestrator.core.verdict.comparison import (
    Comparison,
    Pair,
    compare,
    corrected,
    family_sizes,
    margin_log,
    pairs,
    word,
)


def only(
    truth: dict[tuple[str, int], float], *, k: int = 5, sd: float = 0.01, margin: float = 0.03, **scatter: float
) -> Comparison:
    """The single comparison of two shapes."""
    (pair,) = pairs(cells_of(blocks(truth, k=k, sd=sd, **scatter)))  # type: ignore[arg-type]
    return compare(pair, margin=margin, confidence=0.95, family=1)


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.01, 0.09, "faster"),
        (-0.09, -0.01, "slower"),
        (-0.01, 0.02, "equivalent"),
        (0.005, 0.02, "equivalent"),
        (-0.01, 0.04, "undecided"),
        (-0.08, 0.09, "undecided"),
        (0.0, 0.08, "undecided"),
    ],
)
def test_four_words(low: float, high: float, expected: str) -> None:
    assert word((low, high), 0.03) == expected


def test_without_an_interval_nothing_is_decided() -> None:
    assert word(None, 0.03) == "undecided"


@given(st.floats(-0.2, 0.2), st.floats(0, 0.2), st.floats(0.001, 0.2))
def test_exchanging_the_cells_exchanges_the_words(low: float, width: float, margin: float) -> None:
    other = {"faster": "slower", "slower": "faster"}
    there, back = word((low, low + width), margin), word((-low - width, -low), margin)
    assert back == other.get(there, there)


def test_the_margin_is_what_the_recommendation_means() -> None:
    """A shape may be 3 % behind the best: the lower end of the margin is 0.97, the upper its reciprocal."""
    assert math.exp(-margin_log(0.03)) == pytest.approx(0.97)


def test_every_word_is_reached_from_trials() -> None:
    assert only({("one", 1): 100, ("two", 1): 120}).verdict == "faster"
    assert only({("one", 1): 100, ("two", 1): 80}).verdict == "slower"
    assert only({("one", 1): 100, ("two", 1): 100.3}, sd=0.003).verdict == "equivalent"
    assert only({("one", 1): 100, ("two", 1): 102}, k=3, sd=0.03).verdict == "undecided"


def test_an_undecided_comparison_names_the_blocks_that_would_decide() -> None:
    found = only({("one", 1): 100, ("two", 1): 104}, k=3, sd=0.02, seed=4)
    assert found.verdict == "undecided"
    assert found.more_blocks is not None
    assert 1 <= found.more_blocks < 100


def test_a_decided_comparison_asks_for_nothing() -> None:
    assert only({("one", 1): 100, ("two", 1): 120}).more_blocks is None


def test_single_readings_give_the_ratio_and_no_interval() -> None:
    found = only({("one", 1): 2400, ("two", 1): 1470}, k=1, sd=0)
    assert (found.ratio, found.low, found.high, found.verdict, found.more_blocks) == (
        0.6125,
        None,
        None,
        "undecided",
        None,
    )


def test_what_blocks_share_cancels() -> None:
    """Blocks that differ by 30 % leave a comparison within blocks as sharp as it was."""
    calm = only({("one", 1): 100, ("two", 1): 104}, sd=0.005)
    rough = only({("one", 1): 100, ("two", 1): 104}, sd=0.005, block_sd=0.3)
    assert rough.verdict == calm.verdict == "faster"
    assert (rough.high or 0) / (rough.low or 1) < 1.05


def test_readings_without_blocks_are_compared_by_welch() -> None:
    seen = [observe("one", 1, r, None) for r in (100, 102, 99)] + [
        observe("two", 1, r, None) for r in (110, 109, 112, 111)
    ]
    (pair,) = pairs(cells_of(seen))
    found = compare(pair, margin=0.03, confidence=0.95, family=1)
    bounds = stats.ttest_ind(np.log([110, 109, 112, 111]), np.log([100, 102, 99]), equal_var=False).confidence_interval(
        0.95
    )
    assert not found.paired
    assert (found.low, found.high) == pytest.approx((math.exp(bounds.low), math.exp(bounds.high)))


def test_one_unblocked_reading_makes_the_pair_unblocked() -> None:
    seen = [
        observe("one", 1, 100, 1),
        observe("one", 1, 101, 2),
        observe("two", 1, 110, None),
        observe("two", 1, 111, None),
    ]
    (pair,) = pairs(cells_of(seen))
    assert not compare(pair, margin=0.03, confidence=0.95, family=1).paired


def test_a_block_that_was_lost_costs_one_pair() -> None:
    seen = blocks({("one", 1): 100, ("two", 1): 110}, k=5, sd=0.01)
    lost = [o for o in seen if not (o.shape == "two" and o.block == 3)]
    (pair,) = pairs(cells_of(lost))
    assert compare(pair, margin=0.03, confidence=0.95, family=1).readings == 4


def test_the_design_decides_what_is_compared() -> None:
    """Two shapes under two thread counts: sizes under each, threads on each, and the second vCPU with its thread."""
    truth = {("one", 1): 40, ("one", 2): 41, ("two", 1): 39, ("two", 2): 70}
    found = [(p.question, p.base.id, p.new.id) for p in pairs(cells_of(blocks(truth, k=1, sd=0)))]
    assert sorted(found) == [
        ("growth", "one-bookings-t1", "two-bookings-t2"),
        ("size", "one-bookings-t1", "two-bookings-t1"),
        ("size", "one-bookings-t2", "two-bookings-t2"),
        ("threads", "one-bookings-t1", "one-bookings-t2"),
        ("threads", "two-bookings-t1", "two-bookings-t2"),
    ]


def test_workloads_are_never_compared_with_each_other() -> None:
    seen = [observe("one", 1, 10), observe("two", 1, 10, workload="timetable")]
    assert pairs(cells_of(seen)) == ()


def test_growth_starts_from_the_smallest_shape_of_each_vcpu_count() -> None:
    lean = observe("two", 2, 70)
    rich = replace(lean, shape="two-rich", memory=lean.memory * 4)  # type: ignore[operator]
    growth = [p for p in pairs(cells_of([observe("one", 1, 40), lean, rich])) if p.question == "growth"]
    assert [(p.base.first.shape, p.new.first.shape) for p in growth] == [("one", "two")]


def test_the_smaller_shape_is_the_base_and_memory_breaks_ties() -> None:
    lean = observe("two", 1, 70)
    rich = replace(lean, shape="a-rich-two", memory=lean.memory * 4)  # type: ignore[operator]
    (pair,) = pairs(cells_of([rich, lean]))
    assert (pair.base.first.shape, pair.new.first.shape) == ("two", "a-rich-two")


@given(experiments())
def test_families_count_every_comparison_once(seen: list) -> None:
    chosen = pairs(cells_of(seen))
    assert sum(family_sizes(chosen).values()) == len(chosen)
    assert len({(p.question, p.base.key, p.new.key) for p in chosen}) == len(chosen)


def test_correction_is_bonferronis() -> None:
    """Dunn 1961: each of m intervals at 1 - alpha / m."""
    assert corrected(0.95, 1) == pytest.approx(0.95)
    assert corrected(0.95, 5) == pytest.approx(0.99)
    assert corrected(0.95, 0) == pytest.approx(0.95)


def test_a_larger_family_widens_every_interval() -> None:
    (pair,) = pairs(cells_of(blocks({("one", 1): 100, ("two", 1): 105}, k=5, sd=0.01)))
    widths = [
        math.log((c.high or 1) / (c.low or 1))
        for c in (compare(pair, margin=0.03, confidence=0.95, family=m) for m in (1, 3, 10))
    ]
    assert widths == sorted(widths)
    assert widths[0] < widths[2]


def test_the_family_error_is_held() -> None:
    """Four equal shapes, six comparisons, five blocks: hardly more often than once in twenty is any called different.

    A simulation of 40,000 with NumPy and SciPy alone gives 2.7 %, and 14.4 % without the correction; the binomial sd at
    800 is 0.6 and 1.2 points.
    """
    truth = {(shape, 1): 100.0 for shape in ("one", "two", "four", "eight")}
    wrong = uncorrected = 0
    for seed in range(800):
        chosen = pairs(cells_of(blocks(truth, k=5, sd=0.02, block_sd=0.05, seed=seed)))
        wrong += any(_differs(pair, family=6) for pair in chosen)
        uncorrected += any(_differs(pair, family=1) for pair in chosen)
    assert wrong / 800 <= 0.05
    assert uncorrected / 800 >= 0.105


def _differs(pair: Pair, family: int) -> bool:
    return compare(pair, margin=1e-6, confidence=0.95, family=family).verdict in {"faster", "slower"}
