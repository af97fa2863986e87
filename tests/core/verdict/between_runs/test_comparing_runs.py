"""The words, intervals and numbers of blocks of a comparison of runs."""

from __future__ import annotations

import math

import pytest
from compared_runs import by_cell, compared, scattered, side
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.verdict.between_runs.results import Change
from orchestrator.core.verdict.between_runs.side import Side

CELLS = [("one", 1), ("one", 2), ("two", 1), ("two", 2), ("four", 1), ("four", 2)]
SAME = dict.fromkeys(CELLS, 100.0)


def test_a_cell_that_lost_is_slower_and_the_others_are_not() -> None:
    truth = {**SAME, ("two", 2): 90.0}
    base = side(scattered(SAME, k=5, sd=0.004, seed=1), "base")
    new = side(scattered(truth, k=5, sd=0.004, seed=2))
    found = by_cell(compared(base, new))
    slower = found["two-bookings-t2"]
    assert (slower.verdict, slower.not_worse) == ("slower", False)
    assert slower.low is not None
    assert slower.high is not None
    assert slower.low < 0.9 < slower.high < 0.93
    assert {c.verdict for cell, c in found.items() if cell != "two-bookings-t2"} == {"equivalent"}
    assert all(c.not_worse for cell, c in found.items() if cell != "two-bookings-t2")


def test_the_answer_names_what_changed_and_what_it_rests_on() -> None:
    truth = {**SAME, ("two", 2): 90.0}
    found = compared(
        side(scattered(SAME, k=5, sd=0.004, seed=1), "base"), side(scattered(truth, k=5, sd=0.004, seed=2))
    )
    assert found.answer.startswith("Of six cells one is slower (two-bookings-t2 ")
    assert "five are equivalent within 3 %" in found.answer
    assert "Over all of them throughput is" in found.answer
    assert found.remarks[0].startswith("One run a side: ")


def test_exchanging_the_runs_exchanges_the_words() -> None:
    one = side(scattered(SAME, k=4, sd=0.01, seed=3), "one")
    two = side(scattered({**SAME, ("one", 1): 112.0}, k=6, sd=0.01, seed=4), "two")
    there, back = by_cell(compared(one, two)), by_cell(compared(two, one))
    turned = {"faster": "slower", "slower": "faster"}
    for cell, change in there.items():
        other = back[cell]
        assert other.verdict == turned.get(change.verdict, change.verdict)
        assert other.ratio == pytest.approx(1 / change.ratio)
        assert (other.low, other.high) == pytest.approx((1 / (change.high or 0), 1 / (change.low or 0)))
        assert (other.p, other.p_holm) == pytest.approx((change.p, change.p_holm))


@given(factor=st.floats(1e-3, 1e6), seed=st.integers(0, 10))
@settings(max_examples=15, deadline=None)
def test_the_unit_of_throughput_changes_nothing(factor: float, seed: int) -> None:
    base, new = scattered(SAME, k=4, sd=0.02, seed=seed), scattered(SAME, k=4, sd=0.02, seed=seed + 50)
    plain = compared(side(base, "base"), side(new))
    scaled = compared(
        *(side({c: [v * factor for v in vs] for c, vs in r.items()}, n) for r, n in ((base, "b"), (new, "n")))
    )
    for one, two in zip(plain.changes, scaled.changes, strict=True):
        assert one.verdict == two.verdict
        assert (one.low, one.high) == pytest.approx((two.low, two.high))


def test_single_readings_are_divided_as_they_are_and_decide_nothing() -> None:
    found = compared(side({("two", 2): [2400.0]}, "base"), side({("two", 2): [1470.0]}))
    only = found.changes[0]
    assert (only.ratio, only.low, only.p, only.verdict) == (0.6125, None, None, "undecided")
    assert (only.more_blocks, only.more_blocks_new, only.not_worse) == (None, None, False)
    assert any("read only once" in remark for remark in found.remarks)
    assert found.answer == "Cell two-bookings-t2 is undecided: 39 % less."


def test_the_scatter_of_a_few_trials_is_learned_from_all_cells_of_a_load() -> None:
    """With three blocks each cell by itself has two degrees of freedom a run; together they have many more."""
    together, alone = 0.0, 0.0
    for seed in range(4):
        base, new = (scattered(SAME, k=3, sd=0.01, seed=first + seed) for first in (500, 600))
        found = compared(side(base, "base"), side(new)).changes
        assert found[0].confidence_alone == pytest.approx(1 - 0.05 / 6)
        together += sum(map(_width, found))
        for cell in CELLS:
            one, two = side({cell: base[cell]}, "base"), side({cell: new[cell]})
            alone += _width(compared(one, two, confidence=1 - 0.05 / 6).changes[0])
    assert together < 0.75 * alone


def test_a_cell_that_scatters_far_more_stands_by_itself() -> None:
    wild = {("two", 2): [100.0, 130.0, 80.0, 110.0, 95.0]}
    base = side({**scattered(SAME, k=5, sd=0.005, seed=7), **wild}, "base")
    found = by_cell(compared(base, side({**scattered(SAME, k=5, sd=0.005, seed=8), **wild})))
    others = [c for cell, c in found.items() if cell != "two-bookings-t2"]
    assert _width(found["two-bookings-t2"]) > 8 * max(map(_width, others))
    assert {c.verdict for c in others} == {"equivalent"}


def test_what_blocks_share_is_not_taken_for_many_readings() -> None:
    """Cells that all rise and fall with their block tell as much of a run's luck as one cell does."""
    steady = compared(*_pair(block_sd=0.0)).changes[0]
    swinging = compared(*_pair(block_sd=0.03)).changes[0]
    assert _width(swinging) > 4 * _width(steady)


def _pair(block_sd: float) -> tuple[Side, Side]:
    one, two = (scattered(SAME, k=4, sd=0.005, block_sd=block_sd, seed=seed) for seed in (9, 10))
    return side(one, "base"), side(two)


def test_blocks_that_are_said_to_decide_do_decide() -> None:
    """More blocks of the same scatter: the words come at about the number that was given."""
    base, new = scattered(SAME, k=3, sd=0.02, seed=11), scattered(SAME, k=3, sd=0.02, seed=12)
    found = [c for c in compared(side(base, "base"), side(new)).changes if c.verdict == "undecided" and c.more_blocks]
    assert found
    for cell in found:
        assert cell.more_blocks is not None
        assert cell.more_blocks_new is None or cell.more_blocks_new >= cell.more_blocks
    k = 3 + max(cell.more_blocks or 0 for cell in found)
    decided = []
    for seed in range(20):
        one, two = scattered(SAME, k=k, sd=0.02, seed=seed + 100), scattered(SAME, k=k, sd=0.02, seed=seed + 200)
        decided += [c.verdict != "undecided" for c in compared(side(one, "base"), side(two)).changes]
    assert sum(decided) / len(decided) > 0.7


def test_operations_per_cpu_second_are_compared_beside_the_words() -> None:
    readings, costs = scattered(SAME, k=5, sd=0.004, seed=13), scattered(dict.fromkeys(CELLS, 1e-3), k=5, sd=0.004)
    dearer = {cell: [1.25 * cost for cost in values] for cell, values in costs.items()}
    found = compared(side(readings, "base", costs=costs), side(scattered(SAME, k=5, sd=0.004, seed=14), costs=dearer))
    assert {c.verdict for c in found.changes} == {"equivalent"}
    first = found.changes[0]
    assert first.cpu_ratio == pytest.approx(0.8)
    assert (first.base_per_cpu_s or 0) / (first.new_per_cpu_s or 1) == pytest.approx(1.25)
    assert found.overall is not None
    assert found.overall.cpu_ratio == pytest.approx(0.8)
    assert found.overall.cpu_high is not None
    assert found.overall.cpu_high < 0.82


def test_all_cells_together_are_judged_by_whole_blocks() -> None:
    """Six cells that share their blocks' luck are no six readings a block."""
    found = [compared(*_pair(block_sd=sd)).overall for sd in (0.0, 0.03)]
    assert all(each is not None and each.base_blocks == each.new_blocks == 4 for each in found)
    widths = [math.log((each.high or 0) / (each.low or 1)) for each in found if each is not None]
    assert widths[1] > 6 * widths[0]


def test_all_cells_together_per_vcpu() -> None:
    base = side({("one", 1): [100.0, 102.0], ("four", 1): [400.0, 404.0]}, "base")
    found = compared(base, side({("one", 1): [50.0, 51.0], ("four", 1): [200.0, 202.0]})).overall
    assert found is not None
    assert found.ratio == pytest.approx(0.5)
    assert found.verdict == "slower"
    assert found.base_per_vcpu == pytest.approx(math.sqrt(100 * 102 * 1.01 * 100 * 100) ** 0.5, rel=0.01)
    assert found.new_per_vcpu / found.base_per_vcpu == pytest.approx(0.5)
    assert found.base_per_cpu_s is None


def test_incomplete_blocks_count_for_the_ratio_and_not_for_its_error() -> None:
    base = side({("one", 1): [100.0, 101.0, 99.0], ("two", 1): [100.0, None, 100.0]}, "base")
    found = compared(base, side({("one", 1): [100.0, 101.0, 99.0], ("two", 1): [100.0, 100.0, 100.0]})).overall
    assert found is not None
    assert (found.base_blocks, found.new_blocks) == (2, 3)
    assert found.low is not None


def test_a_run_that_is_not_finished_is_compared_with_a_remark() -> None:
    found = compared(
        side({("one", 1): [1.0, 1.1]}, "base"), side({("one", 1): [1.0, 1.1]}, "late", state="interrupted")
    )
    assert "The new run late is not finished (interrupted); it is compared as far as it is." in found.remarks


def test_the_same_readings_twice_are_told() -> None:
    readings = scattered(SAME, k=3, sd=0.01)
    assert any("to the last digit" in r for r in compared(side(readings, "base"), side(readings)).remarks)


@given(seed=st.integers(0, 1000), sd=st.floats(0.002, 0.03))
@settings(max_examples=15, deadline=None)
def test_what_is_not_worse_is_shown_by_the_cell_itself(seed: int, sd: float) -> None:
    """All have to pass together, so each is asked alone (Berger 1982): its own bound is no lower than the joint one."""
    new = scattered({**SAME, ("one", 2): 97.0}, k=4, sd=sd, seed=seed + 2000)
    for cell in compared(side(scattered(SAME, k=4, sd=sd, seed=seed), "base"), side(new)).changes:
        assert cell.low is not None
        assert cell.worst is not None
        assert cell.low <= cell.worst * (1 + 1e-12) or cell.correction == "Holm, stepwise"
        assert cell.not_worse == (cell.worst > 1 / 1.03 or cell.verdict in {"equivalent", "faster"})


def test_a_cell_that_passes_alone_passes_in_company() -> None:
    """Six cells that did not change, in three blocks: by their joint intervals fewer of them would pass."""
    found: list[Change] = []
    for seed in range(8):
        base, new = (scattered(SAME, k=3, sd=0.009, seed=first + seed) for first in (300, 400))
        found += compared(side(base, "base"), side(new)).changes
    assert sum(cell.not_worse for cell in found) > sum((cell.low or 0) > 1 / 1.03 for cell in found)


# Several base runs: whole runs are the readings.


def _runs(sds: tuple[float, float], runs: int, seed: int) -> list[Side]:
    run_sd, sd = sds
    made = []
    for number in range(runs):
        shift = scattered({("all", 1): 1.0}, k=1, sd=run_sd, seed=seed + number)["all", 1][0]
        truth = {cell: rate * shift for cell, rate in SAME.items()}
        made.append(side(scattered(truth, k=4, sd=sd, seed=1000 * seed + number), f"base-{number}"))
    return made


def test_runs_that_differ_widen_what_several_base_runs_allow() -> None:
    new = side(scattered(dict.fromkeys(CELLS, 96.0), k=4, sd=0.003, seed=77))
    steady, moving = (compared(_runs((sd, 0.003), 5, seed=3), new) for sd in (0.0005, 0.02))
    assert {c.verdict for c in steady.changes} == {"slower"}
    assert {c.verdict for c in moving.changes} == {"undecided"}
    assert {c.verdict for c in compared(_runs((0.02, 0.003), 1, seed=3), new).changes} == {"slower"}
    assert (moving.runs_are_readings, moving.base) == (True, tuple(f"base-{n}" for n in range(5)))
    assert any("of the variance of a run's mean" in remark for remark in moving.remarks)
    assert all(c.more_blocks is None for c in moving.changes)


def test_a_new_run_of_fewer_trials_is_no_reading_like_the_others() -> None:
    bases = _runs((0.0, 0.02), 4, seed=5)
    long, short = (side(scattered(SAME, k=k, sd=0.02, seed=9)) for k in (4, 2))
    one, two = (by_cell(compared(bases, new))["one-bookings-t1"] for new in (long, short))
    assert _width(two) > _width(one)


def _width(change: Change) -> float:
    assert change.low is not None
    assert change.high is not None
    return math.log(change.high / change.low)
