"""What an operation takes: the operational laws on published examples, and what is said of made-up cells.

Examples of the laws: Lazowska, Zahorjan, Graham & Sevcik 1984, *Quantitative System Performance*, ch. 3 (a disk that
serves 40 requests a second, each in 22.5 ms); Menascé, Almeida & Dowdy 2004, *Performance by Design*, ch. 3 (a disk
that is busy for 36 s of 60 s and completes 1800 requests). A disk has one server, as a shape of one vCPU has.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from verdict_cases import BY_HAND

from orchestrator.core.verdict.cells import Observation, Shares, cells_of
from orchestrator.core.verdict.demand.demands import Demand, demands
from orchestrator.core.verdict.demand.usage import usage
from orchestrator.core.verdict.rule import Rule

RULE = Rule()


def seen(
    throughput: float,
    *,
    shape: str = "one",
    vcpus: int = 1,
    threads: int = 1,
    block: int = 1,
    run: float | None = None,
    wait: float | None = None,
    cost: float | None = None,
    steal: float | None = None,
) -> Observation:
    idle = None if run is None or wait is None else 1 - run - wait
    return Observation(
        shape,
        vcpus,
        None,
        "bookings",
        threads,
        block,
        throughput,
        Shares(run=run, wait=wait, idle=idle),
        (),
        cost,
        steal,
    )


def only(*observations: Observation, rule: Rule = RULE) -> Demand:
    (found,) = demands(cells_of(observations), rule)
    return found


def test_no_time_of_an_operation_is_negative_however_few_trials_tell_it() -> None:
    """Two trials far apart: Student's t with one degree of freedom is 12.7 (Student 1908)."""
    found = only(seen(40.0, block=1, run=0.9, wait=0.1), seen(90.0, block=2, run=0.9, wait=0.1))
    for interval in (found.cpu_s, found.wait_s, found.wall_s, found.response_s):
        assert interval is not None
        assert interval.low == 0


def said(found: Demand) -> str:
    return " ".join(found.sentences)


# -------------------------------------------------------------------------------------------------- the laws, published


def test_utilisation_law() -> None:
    """Lazowska et al. 1984, ch. 3: 40 requests a second x .0225 s = 90 % busy."""
    assert only(seen(40, cost=0.0225)).busy_vcpus == pytest.approx(0.90)


def test_service_demand_law() -> None:
    """Menascé et al. 2004, ch. 3: busy 36 s of 60 s with 1800 completions: 30 a second, 60 % busy, .02 s each."""
    found = only(seen(1800 / 60, run=36 / 60))
    assert found.cpu_s is not None
    assert found.cpu_s.mean == pytest.approx(0.02)
    assert found.busy_vcpus == pytest.approx(0.60)


def test_littles_law() -> None:
    """Lazowska et al. 1984, ch. 3: the same disk with 4 requests at it: .1 s each, of which .0775 s is not service."""
    found = only(seen(40, threads=4, cost=0.0225))
    assert found.cpu_s is not None
    assert found.response_s.mean == pytest.approx(0.1)
    assert found.response_s.mean - found.cpu_s.mean == pytest.approx(0.0775)


# ------------------------------------------------------------------------------------------ intervals and overhead


def test_the_interval_is_students() -> None:
    """Of three trials: the interval of SciPy's one-sample t test (scipy.stats.ttest_1samp)."""
    costs = [0.010, 0.011, 0.0125]
    found = only(*(seen(50, cost=c, block=n) for n, c in enumerate(costs, start=1)))
    expected = stats.ttest_1samp(costs, 0).confidence_interval(0.95)
    assert found.cpu_s is not None
    assert (found.cpu_s.low, found.cpu_s.high) == pytest.approx((max(0, expected.low), expected.high))


def test_a_single_trial_has_no_interval() -> None:
    found = only(seen(50, cost=0.01))
    assert found.cpu_s is not None
    assert (found.cpu_s.low, found.cpu_s.high) == (None, None)
    assert (found.cpu_ratio, found.overhead_shown) == (None, None)


def two_shapes(more: float, sd: float, *, k: int = 5, seed: int = 1) -> list[Observation]:
    """One thread on two shapes; on the larger an operation costs ``more`` times as much."""
    rng = np.random.default_rng(seed)
    found = []
    for block in range(1, k + 1):
        shared = rng.normal(0, 0.02)
        for shape, vcpus, cost in (("one", 1, 0.001), ("two", 2, 0.001 * more)):
            found.append(
                seen(900, shape=shape, vcpus=vcpus, block=block, cost=cost * math.exp(shared + rng.normal(0, sd)))
            )
    return found


def test_overhead_against_the_leanest_is_found_block_by_block() -> None:
    """What the blocks share (2 %) cancels: an overhead of 3 % is shown with .5 % scatter; paired t by SciPy."""
    observations = two_shapes(1.03, 0.005)
    lean, fat = demands(cells_of(observations), RULE)
    assert (lean.leanest, fat.leanest) == (lean.cell, lean.cell)
    assert (lean.cpu_ratio, lean.overhead_s) == (None, None)
    assert fat.cpu_ratio is not None
    assert fat.cpu_ratio.low is not None
    assert fat.cpu_ratio.high is not None
    logs = [
        [math.log(o.cpu_seconds_per_operation or 0) for o in observations if o.shape == shape]
        for shape in ("one", "two")
    ]
    expected = stats.ttest_rel(logs[1], logs[0]).confidence_interval(0.95)
    assert (fat.cpu_ratio.low, fat.cpu_ratio.high) == pytest.approx((math.exp(expected.low), math.exp(expected.high)))
    assert fat.overhead_shown is True
    assert fat.overhead_s == pytest.approx(0.00003, rel=0.3)
    assert "the leanest (+" in said(fat)


def test_a_difference_within_scatter_is_called_that() -> None:
    costs = demands(cells_of(two_shapes(1.001, 0.02)), RULE)
    (other,) = [d for d in costs if d.cpu_ratio is not None]
    assert other.overhead_shown is False
    assert "within what trials scatter" in said(other)


def test_the_parts_of_an_operation_add_up() -> None:
    """By definition: run + wait + idle of all vCPUs over throughput is vCPUs over throughput."""
    found = only(*(seen(100 + n, shape="four", vcpus=4, threads=2, run=0.4, wait=0.1, block=n) for n in (1, 2, 3)))
    assert found.cpu_s is not None
    assert found.wait_s is not None
    assert found.idle_s is not None
    assert found.cpu_s.mean + found.wait_s.mean + found.idle_s.mean == pytest.approx(found.wall_s.mean)
    assert "two vCPUs of four had no thread, which alone leaves 50 % idle" in said(found)


# -------------------------------------------------------------------------------------------------- what does not agree


def test_figures_that_contradict_the_utilisation_law_are_named() -> None:
    assert only(seen(40, run=0.90, cost=0.0225)).laws_hold is True
    wrong = only(seen(40, run=0.60, cost=0.0225))
    assert wrong.laws_hold is False
    assert "contradict each other" in said(wrong)
    assert only(seen(40, cost=0.03)).laws_hold is False  # 1.2 of one vCPU busy
    assert only(seen(40)).laws_hold is None


def test_more_busy_vcpus_than_threads_are_named() -> None:
    assert "more than its threads can keep" in said(only(seen(100, shape="two", vcpus=2, run=0.7, wait=0.0)))
    assert "more than its threads" not in said(only(seen(100, shape="two", vcpus=2, run=0.5, wait=0.0)))


@pytest.mark.parametrize(("wait", "contended"), [(0.04, False), (0.05, True), (None, None)])
def test_contention_goes_by_the_rules_threshold(wait: float | None, contended: bool | None) -> None:
    found = only(seen(100, run=0.5, wait=wait))
    assert found.contended is contended
    assert ("common practice, no published source" in said(found)) is bool(contended)
    assert only(seen(100, run=0.5, wait=0.05), rule=Rule(wait=0.1)).contended is False


@pytest.mark.parametrize(
    ("steals", "wait", "verdict_of_it"),
    [
        ((0.10, 0.11, 0.09, 0.10), 0.10, "agrees"),
        ((0.105, 0.115, 0.095, 0.105), 0.10, "agrees"),  # half a point is within the step
        ((0.02, 0.01, 0.03, 0.02), 0.10, "disagrees"),
        ((0.0, 0.0, 0.0, 0.0), 0.10, "unseen"),
        ((0.0, 0.0, 0.0, 0.0), 0.003, "agrees"),
        ((0.0, 0.3, 0.0, 0.2), 0.10, "agrees"),  # scatters too much to say
        ((None, None, None, None), 0.10, None),
        ((0.12,), 0.10, "agrees"),  # a single trial, within the limit of its check
        ((0.02,), 0.10, "disagrees"),
    ],
)
def test_steal_against_wait(steals, wait: float, verdict_of_it: str | None) -> None:
    found = only(*(seen(100, run=0.5, wait=wait, steal=s, block=n) for n, s in enumerate(steals, start=1)))
    assert found.steal == verdict_of_it
    assert ("steal" in said(found)) is (verdict_of_it in {"disagrees", "unseen"})


# --------------------------------------------------------------------------------------------------------- the whole


def test_readings_by_hand_get_their_laws_too() -> None:
    """2400 operations a minute with a vCPU that ran 62 %: 15.5 ms of CPU time each (by hand: .62 / 40)."""
    found = {d.cell: d for d in demands(cells_of(BY_HAND), RULE)}
    one = found["one-load-t1"]
    assert one.cpu_s is not None
    assert one.cpu_s.mean == pytest.approx(0.0155)
    assert one.response_s.mean == pytest.approx(0.025)
    assert found["two-load-t1"].cpu_s is None
    assert found["two-load-t2"].response_s.mean == pytest.approx(2 / (2500 / 60))


def test_reasons_tell_whether_a_difference_in_cpu_time_is_more_than_scatter() -> None:
    def reason(more: float, sd: float) -> str:
        lean, other = cells_of(two_shapes(more, sd))
        (line,) = [line for line in usage(lean, [other], RULE) if line.startswith("An operation costs")]
        return line

    assert "% more, +" in reason(1.03, 0.005)
    assert "within what trials scatter: -" in reason(1.001, 0.02)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(0.1, 1e5), st.floats(0, 0.6), st.floats(0, 0.4)), min_size=1, max_size=5),
    st.randoms(use_true_random=False),
    st.floats(1e-3, 1e3),
)
def test_order_and_units_do_not_matter(trials, shuffled, factor: float) -> None:
    observations = [seen(x, run=run, wait=wait, block=n) for n, (x, run, wait) in enumerate(trials)]
    one = only(*observations)
    mixed = list(observations)
    shuffled.shuffle(mixed)
    assert only(*mixed) == one
    many = only(*(seen(x * factor, run=run, wait=wait, block=n) for n, (x, run, wait) in enumerate(trials)))
    assert one.cpu_s is not None
    assert many.cpu_s is not None
    assert many.cpu_s.mean * factor == pytest.approx(one.cpu_s.mean, rel=1e-9)
    assert many.busy_vcpus == pytest.approx(one.busy_vcpus)
