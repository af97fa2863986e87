"""The whole verdict: the reading by hand, its remarks, and what must not change it."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from verdict_cases import BY_HAND, blocks, evidence, experiments, observe

from orchestrator.core.verdict.cells import Observation, Shares, cells_of
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import Verdict, verdict

MINUTE = Rule(per="minute")
#: Each example reaches a whole verdict, or two.
WHOLE = settings(max_examples=40, deadline=None)


@pytest.fixture(scope="module")
def by_hand() -> Verdict:
    return verdict(evidence(BY_HAND), MINUTE)


class TestReadingsByHand:
    """62 / 10 / 36 % at 2400 a minute, 1470 and 2500: common practice, no published source."""

    def test_one_vcpu_for_one_thread_and_two_for_two(self, by_hand: Verdict) -> None:
        found = [(r.threads, r.shape, r.vcpus) for r in by_hand.recommendations]
        assert found == [(1, "one", 1), (2, "two", 2)]
        assert "shape one (1 vCPU) for one thread and shape two (2 vCPUs) for two threads" in by_hand.answer

    def test_shares_beyond_a_hundred_are_remarked(self, by_hand: Verdict) -> None:
        assert any("62 + 10 + 36 is 108, not 100" in remark for remark in by_hand.remarks)

    def test_what_was_not_measured_is_remarked(self, by_hand: Verdict) -> None:
        assert "Shape one: two threads on one vCPU were not measured." in by_hand.remarks

    def test_the_second_vcpu_with_its_thread_bought_4_percent(self, by_hand: Verdict) -> None:
        (remark,) = [remark for remark in by_hand.remarks if "bought" in remark]
        assert (
            remark == "The second vCPU with its thread bought 4 % (2500 a minute on two against 2400 a minute on one)."
        )

    def test_one_reading_carries_no_uncertainty(self, by_hand: Verdict) -> None:
        assert any("One reading a cell carries no uncertainty" in remark for remark in by_hand.remarks)
        assert "one reading a cell carries no uncertainty" in by_hand.answer
        assert all(c.low is None and c.high is None for c in by_hand.cells)
        assert all(
            (c.low, c.high, c.verdict, c.more_blocks) == (None, None, "undecided", None) for c in by_hand.comparisons
        )

    def test_the_only_shape_under_two_threads_is_called_that(self, by_hand: Verdict) -> None:
        assert "is the only shape measured with two threads" in by_hand.recommendations[1].reasons[0]

    def test_size_and_threads_must_fit_each_other(self, by_hand: Verdict) -> None:
        (fit,) = by_hand.fits
        assert (fit.shape, fit.threads) == ("two", 2)
        assert fit.sentence.startswith("Size and threads must fit each other")


def test_a_whole_experiment_is_decided_and_shown() -> None:
    truth = {("one", 1): 40, ("two", 1): 39.9, ("one", 2): 40.5, ("two", 2): 72}
    found = verdict(evidence(blocks(truth, k=6, sd=0.003, block_sd=0.02)))
    assert [(r.shape, r.basis) for r in found.recommendations] == [("one", "shown"), ("two", "shown")]
    assert "shown at 95 % confidence" in found.answer
    assert {(c.question, c.verdict) for c in found.comparisons} >= {
        ("growth", "faster"),
        ("threads", "faster"),
        ("size", "equivalent"),
    }
    assert not any("carries no uncertainty" in remark for remark in found.remarks)


def test_workloads_are_kept_apart_and_named() -> None:
    seen = blocks({("one", 1): 40, ("two", 1): 20}, k=2, sd=0.001)
    seen += [replace(o, workload="timetable", throughput_per_s=1000 / o.throughput_per_s) for o in seen]
    found = verdict(evidence(seen))
    assert [(r.workload, r.shape) for r in found.recommendations] == [("bookings", "one"), ("timetable", "two")]
    assert "For bookings take shape one" in found.answer
    assert "For timetable take shape two" in found.answer


def test_nothing_measured_is_said() -> None:
    found = verdict(Evidence((), {"one": (1, None)}, ("Two of two trials of shape one do not count.",)))
    assert found.answer == "No trial was measured, so nothing can be said."
    assert (found.cells, found.comparisons, found.recommendations, found.fits) == ((), (), (), ())
    assert found.remarks == ("Two of two trials of shape one do not count.",)


def test_trials_that_were_measured_and_do_not_count_are_not_called_unmeasured() -> None:
    tried = frozenset({("bookings", 1, "one")})
    found = verdict(Evidence((), {"one": (1, None)}, ("The only trial of shape one does not count.",), tried))
    assert found.answer.startswith("No trial gave a steady throughput above zero")


def test_single_cells_stand_for_want_of_another() -> None:
    found = verdict(evidence([observe("two", 1, 10, b) for b in (1, 2)]))
    assert "for want of another shape" in found.answer
    assert found.fits == ()


def test_cells_hold_geometric_means() -> None:
    """Hoefler & Belli 2015, worked example: relative rates 1, 0.1 and 0.25 have the geometric mean 0.2924."""
    (cell,) = verdict(evidence([observe("one", 1, r, b) for b, r in enumerate((1, 0.1, 0.25), 1)])).cells
    assert cell.throughput_per_s == pytest.approx(0.2924, abs=5e-5)
    assert (cell.low or 9) < cell.throughput_per_s < (cell.high or 0)


def test_cells_average_shares_and_cost_over_trials() -> None:
    seen = [
        observe(
            "two", 1, 10, 1, shares=Shares(run=0.4, idle=0.6), per_vcpu=(Shares(run=0.8), Shares(run=0.0)), cost=0.01
        ),
        observe(
            "two", 1, 10, 2, shares=Shares(run=0.5, wait=0.1), per_vcpu=(Shares(run=1.0), Shares(run=0.0)), cost=0.03
        ),
    ]
    (cell,) = verdict(evidence(seen)).cells
    assert (cell.run, cell.wait, cell.idle) == pytest.approx((0.45, 0.1, 0.6))
    assert [shares.run for shares in cell.per_vcpu] == pytest.approx([0.9, 0.0])
    assert cell.per_vcpu[0].wait is None
    assert cell.cpu_seconds_per_operation == pytest.approx(0.02)


class TestRemarks:
    def test_shares_that_add_up_are_not_remarked(self) -> None:
        seen = [observe("one", 1, 10, 1, shares=Shares(run=0.62, wait=0.10, idle=0.29))]
        assert not any("not 100" in remark for remark in verdict(evidence(seen)).remarks)

    def test_fractions_given_as_percents_are_recognised(self) -> None:
        seen = [observe("one", 1, 10, 1, shares=Shares(run=0.0062, wait=0.001, idle=0.0028))]
        assert any("look like fractions" in remark for remark in verdict(evidence(seen)).remarks)

    def test_the_block_is_named_where_there_are_several(self) -> None:
        seen = [observe("one", 1, 10, b, shares=Shares(run=0.5, wait=0.1, idle=0.3 + b / 10)) for b in (1, 2)]
        (remark,) = [remark for remark in verdict(evidence(seen)).remarks if "not 100" in remark]
        assert "(one with one thread, block 1)" in remark or "block 2" in remark

    def test_some_single_readings_are_named(self) -> None:
        seen = [observe("one", 1, 10, 1), observe("one", 1, 11, 2), observe("two", 1, 12, 1)]
        (remark,) = [remark for remark in verdict(evidence(seen)).remarks if "carries no uncertainty" in remark]
        assert "(two with one thread)" in remark

    def test_a_shape_without_any_trial_is_missed_too(self) -> None:
        found = verdict(Evidence((observe("one", 1, 10),), {"one": (1, None), "four": (4, None)}))
        assert "Shape four: one thread on four vCPUs was not measured." in found.remarks

    def test_many_gaps_are_counted(self) -> None:
        seen = [observe("one", t, 10) for t in range(1, 9)] + [observe("two", 1, 10)]
        gaps = [remark for remark in verdict(evidence(seen)).remarks if "not measured" in remark]
        assert gaps[-1] == "One more combination of shape and threads was not measured."
        assert len(gaps) == 7

    def test_identical_readings_are_suspected(self) -> None:
        seen = [observe("one", 1, 40, b) for b in (1, 2, 3)]
        assert any(
            remark.startswith("All three readings of one with one thread are the same figure")
            for remark in verdict(evidence(seen)).remarks
        )

    def test_lost_blocks_are_counted(self) -> None:
        seen = [o for o in blocks({("one", 1): 10, ("two", 1): 12}, k=4, sd=0.01) if (o.shape, o.block) != ("two", 2)]
        (remark,) = [remark for remark in verdict(evidence(seen)).remarks if "fewer blocks" in remark]
        assert remark.startswith("One comparison rests on fewer blocks than were measured (three at the least)")

    def test_growth_over_more_than_one_vcpu_is_told_with_its_interval(self) -> None:
        found = verdict(evidence(blocks({("one", 1): 40, ("four", 4): 100}, k=5, sd=0.005)))
        (remark,) = [remark for remark in found.remarks if "bought" in remark]
        assert remark.startswith("Going from one vCPU to four, each with its thread, bought 1")
        assert "interval +1" in remark

    def test_growth_that_costs_is_told_as_cost(self) -> None:
        found = verdict(evidence([observe("one", 1, 40), observe("two", 2, 30)]))
        assert any("with its thread cost 25 %" in remark for remark in found.remarks)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_throughput_that_cannot_be_compared_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="positive and finite"):
        observe("one", 1, bad)


def test_contradictions_are_refused() -> None:
    with pytest.raises(ValueError, match="twice in one block"):
        cells_of([observe("one", 1, 10, 1), observe("one", 1, 11, 1)])
    with pytest.raises(ValueError, match="two sizes"):
        cells_of([observe("one", 1, 10, 1), replace(observe("one", 1, 11, 2), vcpus=2)])


@WHOLE
@given(experiments(), st.randoms(use_true_random=False))
def test_the_order_of_observations_changes_nothing(seen: list[Observation], chance: random.Random) -> None:
    shuffled = list(seen)
    chance.shuffle(shuffled)
    assert verdict(evidence(shuffled)) == verdict(evidence(seen))


@WHOLE
@given(experiments(), st.permutations([1, 2, 3, 4, 5]))
def test_the_numbers_of_the_blocks_change_nothing(seen: list[Observation], order: list[int]) -> None:
    renamed = [replace(o, block=order[(o.block or 1) - 1] * 10) for o in seen]
    before, after = verdict(evidence(seen)), verdict(evidence(renamed))
    assert [(c.verdict, c.more_blocks) for c in after.comparisons] == [
        (c.verdict, c.more_blocks) for c in before.comparisons
    ]
    assert [(r.shape, r.basis) for r in after.recommendations] == [(r.shape, r.basis) for r in before.recommendations]


@WHOLE
@given(experiments(), st.sampled_from([2.0, 64.0, 1 / 1024]))
def test_the_unit_of_throughput_leaves_ratios_and_words_alone(seen: list[Observation], factor: float) -> None:
    """Powers of two, so that scaling itself is exact; logarithms still round, hence the tolerance."""
    before = verdict(evidence(seen))
    after = verdict(evidence([replace(o, throughput_per_s=o.throughput_per_s * factor) for o in seen]))
    for a, b in zip(after.comparisons, before.comparisons, strict=True):
        assert a.ratio == pytest.approx(b.ratio, rel=1e-9)
        assert (a.low is None) == (b.low is None)
        assert math.log(a.low or 1) == pytest.approx(math.log(b.low or 1), rel=1e-6, abs=1e-9)
    assert [r.shape for r in after.recommendations] == [r.shape for r in before.recommendations]


@WHOLE
@given(st.floats(0.001, 0.05), st.floats(1.5, 4.0))
def test_more_scatter_widens_every_interval(sd: float, factor: float) -> None:
    truth = {("one", 1): 100, ("two", 1): 103, ("two", 2): 180}

    def widths(scatter: float) -> list[float]:
        found = verdict(evidence(blocks(truth, k=4, sd=scatter)))
        return [math.log((c.high or 1) / (c.low or 1)) for c in found.comparisons]

    assert all(wide > narrow for wide, narrow in zip(widths(sd * factor), widths(sd), strict=True))


@WHOLE
@given(experiments())
def test_every_verdict_is_plain_finite_json_and_whole_sentences(seen: list[Observation]) -> None:
    found = verdict(evidence(seen))
    value = json.loads(json.dumps(found.model_dump(mode="json"), allow_nan=False))
    assert Verdict.model_validate_json(found.model_dump_json()) == found
    assert {"cells", "comparisons", "recommendations", "remarks"} <= value.keys()
    sentences = [found.answer, *found.remarks, *(f.sentence for f in found.fits)]
    sentences += [line for r in found.recommendations for line in (*r.reasons, *r.would_change)]
    assert all(
        line.endswith(".") and not line[0].islower() and "None" not in line and "nan" not in line for line in sentences
    )


@WHOLE
@given(experiments(least_blocks=2))
def test_the_interval_holds_the_ratio_and_the_word_follows_from_it(seen: list[Observation]) -> None:
    for found in verdict(evidence(seen)).comparisons:
        assert found.low is not None
        assert found.high is not None
        assert found.low <= found.ratio * (1 + 1e-9)
        assert found.ratio <= found.high * (1 + 1e-9)
        if found.verdict == "faster":
            assert found.low > 1
        if found.verdict == "slower":
            assert found.high < 1
