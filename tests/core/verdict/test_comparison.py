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
    compare_all,
    family_of,
    family_sizes,
    margin_log,
    pairs,
    word,
)
from orchestrator.core.verdict.inference.family import Look
from orchestrator.core.verdict.inference.sequential import looks
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, student


def only(
    truth: dict[tuple[str, int], float], *, k: int = 5, sd: float = 0.01, margin: float = 0.03, **scatter: float
) -> Comparison:
    """The single comparison of two shapes."""
    (found,) = compare_all(cells_of(blocks(truth, k=k, sd=sd, **scatter)), margin=margin, confidence=0.95)  # type: ignore[arg-type]
    return found


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


def test_within_the_margin_neither_is_further_from_the_other() -> None:
    """A ratio of 1.03 is 3 % more, its inverse less than 3 % less: both are at the margin, and nothing beyond."""
    assert math.exp(margin_log(0.03)) == pytest.approx(1.03)
    assert math.exp(-margin_log(0.03)) > 1 - 0.03


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
    (found,) = compare_all(cells_of(seen), margin=0.03, confidence=0.95)
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
    (found,) = compare_all(cells_of(seen), margin=0.03, confidence=0.95)
    assert not found.paired


def test_a_block_that_was_lost_costs_one_pair() -> None:
    seen = blocks({("one", 1): 100, ("two", 1): 110}, k=5, sd=0.01)
    lost = [o for o in seen if not (o.shape == "two" and o.block == 3)]
    (found,) = compare_all(cells_of(lost), margin=0.03, confidence=0.95)
    assert found.readings == 4


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


def test_thread_counts_are_corrected_by_bonferronis_inequality() -> None:
    """Dunn 1961: each of m intervals at 1 - alpha / m."""
    seen = blocks({("two", threads): 40.0 * threads for threads in (1, 2, 3, 4, 5, 6)}, k=4, sd=0.01)
    found = compare_all(cells_of(seen), margin=0.03, confidence=0.95)
    assert {(c.question, c.correction, c.corrected_for) for c in found} == {("threads", "Bonferroni", 5)}
    assert [c.confidence_alone for c in found] == pytest.approx([0.99] * 5)


def test_questions_share_the_error_of_a_workload() -> None:
    """Eight tenths for shapes, a tenth each for threads and for growth: together the chance that was asked for."""
    truth = {("one", 1): 40, ("one", 2): 41, ("two", 1): 39, ("two", 2): 70}
    found = compare_all(cells_of(blocks(truth, k=4, sd=0.01)), margin=0.03, confidence=0.95)
    alone = {c.question: c.confidence_alone for c in found}
    assert alone["growth"] == pytest.approx(0.995)
    assert alone["threads"] == pytest.approx(0.9975)
    # Two loads with a pair each: between no correction and Bonferroni's at 4 %.
    assert 0.96 < (alone["size"] or 0) < 0.98


def test_equal_has_to_be_surer_than_different() -> None:
    """An interval within the margin is not enough, where the one at 98 % is not within it."""
    assert word((-0.01, 0.02), 0.03, (-0.015, 0.025)) == "equivalent"
    assert word((-0.01, 0.02), 0.03, (-0.02, 0.032)) == "undecided"
    assert word((0.01, 0.02), 0.03, (0.005, 0.032)) == "faster"


def test_at_one_of_several_looks_equal_has_to_be_surer_as_well() -> None:
    """At the last of six looks the intervals at 95 and 98 % over all looks are 2.70 and 3.30 standard errors wide.

    Student's t with 9 degrees of freedom at the levels of the tenth block, .0248 and .0089.
    """
    logs = np.array([1, -1] * 5) * math.sqrt(0.9)  # a standard deviation of 1
    for errors, expected in ((3.4, "equivalent"), (3.0, "undecided")):
        sd = math.log(1.03) / errors * math.sqrt(10)
        seen = [observe("two", 1, 100 * math.exp(log), b) for b, log in enumerate(logs * sd, 1)]
        cells = cells_of([*seen, *(observe("one", 1, 100, b) for b in range(1, 11))])
        (found,) = compare_all(cells, margin=0.03, confidence=0.95, look=Look(10, looks(3, 10)))
        assert found.verdict == expected
        assert 1 / 1.03 <= (found.low or 0) <= (found.high or 9) <= 1.03


def test_what_lies_at_the_margin_is_hardly_ever_called_equal() -> None:
    """A true ratio of exactly 1 + margin, in five blocks: one end of a 98 % interval errs in 1 %.

    The binomial sd at 600 is .4 points.
    """
    wrong = 0
    for seed in range(600):
        cells = cells_of(blocks({("one", 1): 100.0, ("two", 1): 102.0}, k=5, sd=0.003, seed=seed))
        wrong += compare_all(cells, margin=0.02, confidence=0.95)[0].verdict == "equivalent"
    assert wrong / 600 <= 0.02


def test_readings_without_blocks_are_compared_as_games_and_howell_do() -> None:
    """Games & Howell 1976: the studentised range at each pair's own Welch degrees of freedom; SciPy's here."""
    readings = {"one": (100, 102, 99), "two": (103, 101, 104, 102), "four": (90, 95, 99, 101, 97)}
    cells = cells_of([observe(s, 1, r, None) for s, rates in readings.items() for r in rates])
    for found in compare_all(cells, margin=0.001, confidence=0.95):
        if found.correction != "all pairs":
            continue
        base, new = np.log(readings[found.base_shape]), np.log(readings[found.new_shape])
        welch = stats.ttest_ind(new, base, equal_var=False)
        error = (new.mean() - base.mean()) / welch.statistic
        half = stats.studentized_range.ppf(0.95, 3, welch.df) / math.sqrt(2) * error
        # Degrees of freedom are taken down to three digits.
        assert math.log(found.high or 0) - math.log(found.ratio) == pytest.approx(half, rel=5e-3)


def test_two_shapes_alone_need_no_correction() -> None:
    cells = cells_of(blocks({("one", 1): 100, ("two", 1): 105}, k=5, sd=0.01))
    (found,) = compare_all(cells, margin=0.03, confidence=0.95)
    assert (found.correction, found.corrected_for) == ("none", 1)
    assert found.confidence_alone == pytest.approx(0.95)


def test_more_shapes_and_more_loads_widen_every_interval() -> None:
    widths = []
    for shapes, threads in ((2, 1), (3, 1), (4, 1), (4, 2)):
        truth = {(s, t): 100.0 for s in ("one", "two", "four", "eight")[:shapes] for t in range(1, threads + 1)}
        family = family_of(cells_of(blocks(truth, k=2, sd=0.01)), 0.95)
        widths.append(student(family.of_pair(LogEstimate(0.0, 5, 0.01, 20.0)), 20.0))
    assert widths == sorted(widths)
    assert len(set(widths)) == 4


def test_intervals_of_all_pairs_are_tukeys() -> None:
    """Tukey 1953: the quantile of the studentised range, here SciPy's, times the standard error of one mean."""
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 0.01, (4, 6))
    noise -= noise.mean(axis=0) + noise.mean(axis=1, keepdims=True) - noise.mean()
    logs = np.log([100, 103, 104, 108])[:, np.newaxis] + noise
    shapes = ("one", "two", "four", "eight")
    seen = [observe(s, 1, float(np.exp(logs[i, b])), b + 1) for i, s in enumerate(shapes) for b in range(6)]
    half = stats.studentized_range.ppf(0.95, 4, 15) * math.sqrt((noise**2).sum() / 15 / 6)
    at_once = [c for c in compare_all(cells_of(seen), margin=0.001, confidence=0.95) if c.correction == "all pairs"]
    assert len(at_once) >= 3
    for found in at_once:
        assert math.log(found.high or 0) - math.log(found.ratio) == pytest.approx(half, rel=1e-4)


@pytest.mark.parametrize("uneven", [1.0, 3.0])
def test_the_family_error_is_held(uneven: float) -> None:
    """Four equal shapes, six comparisons, five blocks: hardly more often than once in twenty is any called different.

    Nor when one of them scatters three times as much. 3,000 experiments of each kind with other seeds
    gave 4.4 and 4.8 %; the binomial sd at 800 is 0.8 points, and without any correction it is 14 %.
    """
    wrong = 0
    for seed in range(800):
        rng = np.random.default_rng(seed)
        logs = rng.normal(0, 0.02, (4, 5)) * np.array([1.0, 1.0, uneven, 1.0])[:, np.newaxis] + rng.normal(0, 0.05, 5)
        seen = [
            observe(s, 1, 100 * math.exp(logs[i, b]), b + 1)
            for i, s in enumerate(("one", "two", "four", "eight"))
            for b in range(5)
        ]
        found = compare_all(cells_of(seen), margin=1e-6, confidence=0.95)
        wrong += any(c.verdict in {"faster", "slower"} for c in found)
    assert wrong / 800 <= 0.065


def test_both_one_sided_tests_are_reported() -> None:
    """Schuirmann 1987: p below 2.5 % on both sides is what a 95 % interval within the margin means."""
    equal, unequal = only({("one", 1): 100, ("two", 1): 100.3}, sd=0.003), only({("one", 1): 100, ("two", 1): 120})
    assert equal.p_low is not None
    assert equal.p_high is not None
    assert max(equal.p_low, equal.p_high) < 0.025
    assert (unequal.p_low or 0) < 0.025 < (unequal.p_high or 0)


def test_a_difference_that_is_shown_stepwise_only_leaves_one_out_of_its_interval() -> None:
    """Six shapes, of which four differ plainly: the two that are left need no correction for the others."""
    found = []
    for seed in range(30):
        truth = {(s, 1): r for s, r in zip(("one", "two", "four", "eight"), (50, 70, 100, 102.2), strict=True)}
        cells = cells_of(blocks(truth, k=5, sd=0.01, seed=seed))
        found += [c for c in compare_all(cells, margin=0.03, confidence=0.95) if c.correction == "all pairs, stepwise"]
    assert found
    assert all(c.low is not None and c.high is not None and (c.low > 1 or c.high < 1) for c in found)
    assert all({c.base_shape, c.new_shape} == {"four", "eight"} for c in found)
    assert {c.verdict for c in found} <= {"faster", "slower"}
