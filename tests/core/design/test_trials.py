"""Cells, blocks and their order: complete, stable, uniformly random, and repeatable in any language."""

from __future__ import annotations

import csv
import hashlib
import itertools
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from plan_samples import SHAPES, WORKLOADS, plan

from orchestrator.core.design.schedule import Switch, estimate, surely
from orchestrator.core.design.trials import cells, order_key, trials

STORED = Path(__file__).parents[2] / "data" / "order" / "ferry-seed-7.csv"
ALL_CELLS = [(s["name"], w["name"], n) for s in SHAPES for w in WORKLOADS for n in w["threads"]]  # type: ignore[attr-defined]


def test_the_order_of_a_plan_is_the_stored_one() -> None:
    """The table was made once in a shell: ``printf '%s' trialbed-order-1/7/1/one/bookings/1 | sha256sum``, sort."""
    with STORED.open(newline="") as file:
        stored = [(int(row["number"]), int(row["block"]), row["id"], row["key"]) for row in csv.DictReader(file)]
    ordered = trials(plan())
    assert [(t.number, t.block, t.id, order_key(7, t.block, t.cell).hex()) for t in ordered] == stored
    assert len(stored) == 60


def test_the_rule_can_be_repeated_without_this_package() -> None:
    """The documented rule, written anew from its words."""
    for seed, block in itertools.product((0, 1, 7, 2**63 - 1), (1, 2, 5)):
        texts = {f"trialbed-order-1/{seed}/{block}/{s}/{w}/{n}": (s, w, n) for s, w, n in ALL_CELLS}
        expected = [texts[t] for t in sorted(texts, key=lambda text: hashlib.sha256(text.encode()).hexdigest())]
        made = [t.cell.key for t in trials(plan(design={"blocks": 5, "seed": seed})) if t.block == block]
        assert made == expected


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="GNU sha256sum is not installed")
def test_the_digests_are_those_of_sha256sum() -> None:
    for trial in trials(plan())[:4]:
        text = "/".join(map(str, ("trialbed-order-1", 7, trial.block, *trial.cell.key)))
        made = subprocess.run(["sha256sum"], input=text, capture_output=True, text=True, check=True).stdout.split()[0]
        assert order_key(7, trial.block, trial.cell).hex() == made


def test_the_order_does_not_depend_on_the_process() -> None:
    """Python's own hashes differ from process to process; the order must not."""
    program = (
        "from plan_samples import plan; from orchestrator.core.design.trials import trials; "
        "print(*(t.id for t in trials(plan())))"
    )
    root = Path(__file__).parents[3]
    outputs = set()
    for seed in ("0", "12345"):
        environment = {"PYTHONHASHSEED": seed, "PYTHONPATH": f"{root}:{Path(__file__).parent}"}
        made = subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True
        )
        outputs.add(made.stdout)
    assert outputs == {" ".join(t.id for t in trials(plan())) + "\n"}


def test_every_block_holds_every_cell_once() -> None:
    ordered = trials(plan())
    assert [t.number for t in ordered] == list(range(1, 61))
    for block in range(1, 6):
        assert sorted(t.cell.key for t in ordered if t.block == block) == sorted(ALL_CELLS)
    assert [t.block for t in ordered] == sorted(t.block for t in ordered)


def test_the_first_blocks_are_the_same_however_many_there_may_be() -> None:
    """A run of three blocks and the first three of twelve are one experiment."""
    few = trials(plan(design={"blocks": 3, "seed": 7}))
    for blocks in (12, {"until": "decided"}, {"at-least": 2, "at-most": 5, "until": "decided"}):
        many = trials(plan(design={"blocks": blocks, "seed": 7}))
        assert many[: len(few)] == few
        assert max(trial.block for trial in many) == (blocks if isinstance(blocks, int) else blocks.get("at-most", 12))


def test_the_time_of_a_plan_until_decided_reaches_from_the_first_look_to_all_blocks() -> None:
    asked = plan(design={"blocks": {"at-least": 3, "at-most": 12, "until": "decided"}, "seed": 7})
    fixed = {blocks: plan(design={"blocks": blocks, "seed": 7}) for blocks in (3, 12)}
    switch = Switch(2.0, 180.0)
    found = estimate(asked, trials(asked), switch)
    assert found.least_s == estimate(fixed[3], trials(fixed[3]), switch).least_s
    assert found.most_s == estimate(fixed[12], trials(fixed[12]), switch).most_s
    # Of a resumed run the block in hand is finished at the least.
    left = [trial for trial in trials(asked) if trial.number > 50]
    assert {trial.block for trial in surely(asked, left)} == {5}
    assert surely(asked, []) == []


def test_all_orders_of_a_block_are_equally_likely() -> None:
    """Pearson's chi-square over the 24 permutations of 4 cells; seeds are fixed, so the figure is, too."""
    loads = [{"name": "b", "use": "bookings", "threads": [1, 2]}]
    small = {"shapes": SHAPES[:2], "workloads": loads}
    counts: Counter[tuple[object, ...]] = Counter()
    for seed in range(120):
        ordered = trials(plan(**small, design={"blocks": 20, "seed": seed}))
        counts.update(tuple(t.cell.key for t in ordered[at : at + 4]) for at in range(0, 80, 4))
    assert len(counts) == 24
    assert scipy.stats.chisquare(list(counts.values())).pvalue > 0.01


def test_the_test_of_uniformity_can_fail() -> None:
    """A shuffle that favours some orders (each place swapped with any place) is told apart on as many draws."""
    counts: Counter[tuple[int, ...]] = Counter()
    for draw in range(2400):
        order = [0, 1, 2, 3]
        for place in range(4):
            other = hashlib.sha256(f"{draw}/{place}".encode()).digest()[0] % 4
            order[place], order[other] = order[other], order[place]
        counts[tuple(order)] += 1
    assert scipy.stats.chisquare(list(counts.values())).pvalue < 1e-4


def test_blocks_and_seeds_do_not_share_an_order() -> None:
    orders = {
        (seed, block): tuple(t.cell.key for t in trials(plan(design={"blocks": 5, "seed": seed})) if t.block == block)
        for seed in range(10)
        for block in range(1, 6)
    }
    assert len(set(orders.values())) == len(orders)


def test_more_blocks_leave_the_order_of_earlier_ones_as_it_was() -> None:
    few, many = (trials(plan(design={"blocks": blocks, "seed": 3})) for blocks in (2, 6))
    assert [t.id for t in few] == [t.id for t in many[: len(few)]]


def test_as_written_keeps_the_order_of_the_plan() -> None:
    ordered = trials(plan(design={"blocks": 2, "order": "as-written"}))
    assert [t.cell.key for t in ordered] == ALL_CELLS * 2


def test_ids_are_stable_and_unique() -> None:
    ordered = trials(plan())
    assert len({t.id for t in ordered}) == len(ordered)
    assert all(
        t.id == f"{t.number:04d}-{t.cell.shape.name}-{t.cell.workload.name}-t{t.cell.threads}-b{t.block}"
        for t in ordered
    )


@pytest.mark.parametrize(
    ("design", "left"),
    [
        ({}, 12),
        ({"only": [{"shape": "one"}]}, 4),
        ({"only": [{"shape": "one"}, {"threads": 4}]}, 6),
        ({"only": [{"shape": "one", "threads": 4}]}, 1),
        ({"only": [{"workload": "fares"}]}, 3),
        ({"except": [{"shape": "one", "threads": 4}]}, 11),
        ({"except": [{"threads": 2}]}, 6),
        ({"only": [{"shape": "two"}], "except": [{"workload": "fares"}]}, 3),
        ({"only": [{"shape": "one"}], "except": [{"shape": "one"}]}, 0),
    ],
)
def test_filters_keep_and_drop(design: dict[str, object], left: int) -> None:
    assert len(cells(plan(design=design))) == left


@given(st.sets(st.sampled_from(ALL_CELLS), min_size=1), st.integers(0, 2**63 - 1))
def test_a_filter_leaves_the_order_of_the_other_cells_alone(kept: set[tuple[str, str, int]], seed: int) -> None:
    """Each cell's key is its own: dropping cells does not reorder the rest."""
    only = [{"shape": s, "workload": w, "threads": n} for s, w, n in sorted(kept)]
    some = [t.cell.key for t in trials(plan(design={"blocks": 2, "seed": seed, "only": only}))]
    every = [t.cell.key for t in trials(plan(design={"blocks": 2, "seed": seed}))]
    assert some == [key for key in every if key in kept]
