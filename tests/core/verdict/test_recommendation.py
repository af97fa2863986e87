"""Which shape is recommended, how far that is shown, why, and what would change it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from verdict_cases import Truth, blocks, experiments, observe

from orchestrator.core.verdict.cells import Observation, Shares, cells_of
from orchestrator.core.verdict.choice import choose, largest_mean
from orchestrator.core.verdict.comparison import family_of
from orchestrator.core.verdict.recommendation import Recommendation, recommend
from orchestrator.core.verdict.rule import Rule

RULE = Rule(margin=0.03, confidence=0.95, per="minute")


def advise(seen: Sequence[Observation], rule: Rule = RULE) -> Recommendation:
    cells = cells_of(seen)
    return recommend(cells, rule, family_of(cells, rule.confidence))


def recommended(truth: Truth, *, k: int = 5, sd: float = 0.002, seed: int = 1, rule: Rule = RULE) -> Recommendation:
    return advise(blocks(truth, k=k, sd=sd, seed=seed), rule)


def text(found: Recommendation) -> str:
    return "\n".join(found.reasons)


def test_the_smaller_shape_wins_within_the_margin() -> None:
    found = recommended({("one", 1): 98.5, ("two", 1): 100, ("four", 1): 99})
    assert (found.shape, found.best, found.basis) == ("one", "two", "shown")
    assert found.ratio_to_best == pytest.approx(0.985, abs=0.003)
    assert "within the margin of 3 %, and it is smaller" in text(found)
    assert "The intervals show it at 95 % confidence" in text(found)


def test_the_larger_shape_wins_beyond_the_margin() -> None:
    found = recommended({("one", 2): 55, ("two", 2): 100})
    assert (found.shape, found.basis) == ("two", "shown")
    assert (
        "Shape one (1 vCPU) is smaller, but gives 45.0 % less than shape two: more than the margin of 3 %."
        in found.reasons
    )


def test_in_between_the_smallest_adequate_shape_wins() -> None:
    found = recommended({("one", 4): 30, ("two", 4): 60, ("four", 4): 100, ("eight", 4): 101})
    assert (found.shape, found.best) == ("four", "eight")


def test_exactly_on_the_margin_is_within_it() -> None:
    assert recommended({("one", 1): 97, ("two", 1): 100}, sd=0).shape == "one"
    assert recommended({("one", 1): 96.99, ("two", 1): 100}, sd=0).shape == "two"


def test_equal_shapes_lead_to_the_smallest() -> None:
    group = cells_of([observe("four", 1, 50), observe("one", 1, 50), observe("two", 1, 50)])
    assert choose(group, margin=0.03, family=family_of(group, 0.95)).chosen.first.shape == "one"
    assert largest_mean(group).first.shape == "one"


def test_memory_counts_when_vcpus_are_equal() -> None:
    lean = observe("two", 1, 99)
    rich = replace(lean, shape="rich", memory=4 * 2**30, throughput_per_s=100)
    found = advise([rich, lean])
    assert found.shape == "two"
    assert "Shape two (2 vCPUs, 1 GiB) gives 5940 a minute" in text(found)
    assert "shape rich (2 vCPUs, 4 GiB)" in text(found)


def test_figures_that_are_not_shown_say_what_the_interval_allows_and_how_many_blocks_would_decide() -> None:
    found = recommended({("one", 1): 99, ("two", 1): 100}, k=3, sd=0.02, seed=5)
    assert found.basis == "figures"
    assert found.more_blocks is not None
    assert "still allow that" in text(found)
    assert "would decide" in text(found)
    assert any("with 90 % power" in line for line in found.would_change)


def test_a_smaller_shape_that_may_do_is_a_doubt() -> None:
    """Two is the figure's choice, but the interval cannot exclude that one is within the margin."""
    seen = [observe("one", 1, r, b) for b, r in enumerate((90, 99, 94), 1)] + [
        observe("two", 1, 100, b) for b in (1, 2, 3)
    ]
    found = advise(seen)
    assert (found.shape, found.basis) == ("two", "figures")
    assert "shape one (1 vCPU) is not behind at all and would do" in text(found)


def test_too_close_to_the_margin_is_said_and_not_counted() -> None:
    rng = np.random.default_rng(2)
    logs = rng.normal(0, 0.02, 6)
    rates = 97.0 * np.exp(logs - logs.mean())
    seen = [o for b, r in enumerate(rates, 1) for o in (observe("one", 1, float(r), b), observe("two", 1, 100, b))]
    found = advise(seen)
    assert (found.basis, found.more_blocks) == ("figures", None)
    assert "close to the margin" in text(found)


def test_one_reading_a_cell_is_never_called_shown() -> None:
    found = recommended({("one", 1): 2400 / 60, ("two", 1): 1470 / 60}, k=1, sd=0)
    assert (found.shape, found.basis) == ("one", "single readings")
    assert "2400 a minute" in text(found)
    assert "gives 39 % less than shape one" in text(found)
    assert "carry no uncertainty" in text(found)
    assert found.would_change[0].startswith("More readings")


def test_the_only_shape_measured_is_recommended_for_want_of_another() -> None:
    found = recommended({("two", 2): 100})
    assert (found.shape, found.basis) == ("two", "only shape measured")
    assert "only shape measured with two threads" in text(found)
    assert found.would_change == (
        "Measuring other shapes with two threads: there was nothing to compare this one with.",
    )


def test_other_margins_that_would_change_it_do_change_it() -> None:
    """What is said of tighter and wider margins is true when tried."""
    truth = {("one", 1): 90, ("two", 1): 98.5, ("four", 1): 100}
    found = recommended(truth, sd=0.0005)
    assert found.shape == "two"
    tighter, wider = (
        float(re.findall(r"A margin (?:below|of) ([\d.]+) %", line)[0]) / 100 for line in found.would_change
    )
    assert recommended(truth, sd=0.0005, rule=Rule(margin=tighter - 0.001)).shape == "four"
    assert recommended(truth, sd=0.0005, rule=Rule(margin=wider)).shape == "one"


def busy(n: int, of: int, *, wait: float = 0.01) -> tuple[Shares, ...]:
    """``n`` vCPUs at work and the rest idle."""
    return tuple(
        Shares(run=0.9, wait=wait, idle=0.1 - wait) if i < n else Shares(run=0.01, wait=0.0, idle=0.99)
        for i in range(of)
    )


def cells_with(shares: dict[str, tuple[Shares, ...]], cost: dict[str, float] | None = None) -> Recommendation:
    seen = []
    for block in (1, 2, 3):
        for shape, per_vcpu in shares.items():
            average = Shares(
                **{f: sum(getattr(s, f) for s in per_vcpu) / len(per_vcpu) for f in ("run", "wait", "idle")}
            )
            seen.append(
                observe(shape, 1, 100 + block, block, shares=average, per_vcpu=per_vcpu, cost=(cost or {}).get(shape))
            )
    return advise(seen)


def test_an_idle_second_vcpu_is_named() -> None:
    found = cells_with({"one": busy(1, 1), "two": busy(1, 2)})
    assert "The second vCPU of shape two with one thread is idle 99 % of the time." in found.reasons
    assert "Its vCPU runs 90 %, waits 1 % and is idle 9 % of the time." in found.reasons


def test_several_idle_vcpus_are_counted() -> None:
    found = cells_with({"one": busy(1, 1), "four": busy(1, 4)})
    assert "Three vCPUs of shape four with one thread are each idle 99 % of the time." in found.reasons


def test_idle_time_spread_over_vcpus_is_added_up() -> None:
    """A guest's scheduler moves one thread over both vCPUs: each half idle, together one too many."""
    half = Shares(run=0.49, wait=0.0, idle=0.51)
    found = cells_with({"one": busy(1, 1), "two": (half, half)})
    assert "Idle time of shape two with one thread adds up to one of its two vCPUs." in found.reasons


def test_busy_vcpus_are_not_called_idle() -> None:
    assert not [
        line
        for line in cells_with({"one": busy(1, 1), "two": busy(2, 2)}).reasons
        if "dle time" in line or "vCPU of" in line
    ]


def test_waiting_is_named_with_its_threshold_as_common_practice() -> None:
    found = cells_with({"one": busy(1, 1, wait=0.02), "two": busy(1, 2, wait=0.08)})
    (line,) = [line for line in found.reasons if "waits for a physical CPU" in line]
    assert "8 % of the time on shape two" in line
    assert "shape one" not in line
    assert "common practice, no published source" in line
    assert any("quieter host" in line for line in found.would_change)


def test_the_threshold_can_be_set() -> None:
    seen = [observe("one", 1, 100, b, shares=Shares(run=0.9, wait=0.08, idle=0.02)) for b in (1, 2)]
    assert any("waits for" in line for line in advise(seen, Rule()).reasons)
    assert not any("waits for" in line for line in advise(seen, Rule(wait=0.1)).reasons)


def test_cpu_time_of_an_operation_is_set_beside_the_other_shapes() -> None:
    found = cells_with({"one": busy(1, 1), "two": busy(1, 2)}, cost={"one": 0.0004, "two": 0.0005})
    assert "An operation costs 0.4 ms of CPU time on shape one and 0.5 ms on two (25 % more)." in found.reasons


def test_what_was_not_observed_is_not_mentioned() -> None:
    assert not re.search(r"idle|wait|operation costs", text(recommended({("one", 1): 100, ("two", 1): 90})))


@pytest.mark.parametrize(("sd", "least"), [(0.003, 0.99), (0.01, 0.95)])
def test_the_truth_is_found(sd: float, least: float) -> None:
    """Shapes 8 % and 1 % behind the best, five blocks: the right one of three nearly always."""
    truth = {("one", 1): 92.0, ("two", 1): 99.0, ("four", 1): 100.0}
    right = sum(recommended(truth, sd=sd, seed=seed).shape == "two" for seed in range(200))
    assert right / 200 >= least


def test_shown_is_hardly_ever_wrong() -> None:
    """A shape 3.1 % behind is wrong under a margin of 3 %: half of the figures say it will do, hardly any interval."""
    truth = {("one", 1): 96.9, ("two", 1): 100.0}
    wrong = [r for seed in range(400) if (r := recommended(truth, sd=0.02, seed=seed)).shape == "one"]
    assert len(wrong) / 400 >= 0.4
    assert sum(r.basis == "shown" for r in wrong) / 400 <= 0.05


@given(experiments())
def test_the_choice_is_always_one_of_the_cells_and_never_larger_than_the_best(seen: list) -> None:
    loads: dict[int, list] = {}
    for cell in cells_of(seen):
        loads.setdefault(cell.first.threads, []).append(cell)
    for group in loads.values():
        choice = choose(group, margin=0.03, family=family_of(group, 0.95))
        assert choice.chosen in choice.group
        assert choice.chosen.size <= choice.best.size
        assert bool(choice.doubts) == (choice.basis == "figures")
        assert {c.key for c in choice.others} | {choice.chosen.key} == {c.key for c in group}


@pytest.mark.parametrize(
    "wrong", [{"margin": 0}, {"margin": 1}, {"confidence": 1}, {"confidence": 0.4}, {"per": "day"}]
)
def test_a_rule_without_sense_is_refused(wrong: dict) -> None:
    with pytest.raises(ValueError, match=r"none|period"):
        Rule(**wrong)
