"""Cells that do not scatter alike, and the order and names of things, must not spoil a comparison."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from compared_runs import FOUR, ONE, TWO, Readings, by_cell, compared, scattered, side
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from orchestrator.core.verdict.between_runs.estimates import Mean, base_runs, between_two, beyond_runs
from orchestrator.core.verdict.between_runs.results import Change
from orchestrator.core.verdict.between_runs.run_scatter import trial_scatters
from orchestrator.core.verdict.between_runs.side import Key, Side
from orchestrator.core.verdict.inference.uncertainty import LogEstimate

CELLS = [("one", 1), ("one", 2), ("two", 1), ("two", 2), ("four", 1), ("four", 2)]
LOADS, DRAWS = 12, 1000
#: Of at most 5 % that err so many come out with a chance of 99.9 %.
MOST = int(stats.binom.isf(0.001, DRAWS, 0.05))


def _some_differ(found: list[LogEstimate]) -> bool:
    """Any interval leaves out 0, each at its share of 5 % (Bonferroni)."""
    ends = [each.interval(1 - 0.05 / LOADS) for each in found]
    return any(low > 0 or high < 0 for low, high in filter(None, ends))


def test_twelve_cells_that_scatter_each_in_their_own_way_err_no_oftener_than_they_may() -> None:
    """Three blocks, standard deviations from .4 to 2.7 %: 4 % err; with one variance for all it would be 9 %."""
    rng, sds, wrong = np.random.default_rng(1), 0.01 * np.exp(np.linspace(-1, 1, LOADS)), 0
    for _ in range(DRAWS):
        runs = [rng.normal(0, sds, (3, LOADS)).T.tolist() for _ in "12"]
        means = [
            [
                Mean(math.fsum(logs) / 3, 3, scatter)
                for logs, scatter in zip(run, trial_scatters([dict(enumerate(logs)) for logs in run]), strict=True)
            ]
            for run in runs
        ]
        wrong += _some_differ([between_two(base, new) for base, new in zip(*means, strict=True)])
    assert wrong <= MOST


def test_cells_of_which_some_differ_more_from_run_to_run_err_no_oftener_than_they_may() -> None:
    """Four base runs that differ by .6 to 1.6 %, cell by cell: 2 % err; with one variance for all it would be 9 %."""
    rng, sds, wrong = np.random.default_rng(2), 0.01 * np.exp(np.linspace(-0.5, 0.5, LOADS)), 0
    keys: list[Key] = [("bookings", n, "one") for n in range(LOADS)]
    there = {key: dict.fromkeys(range(4), key) for key in keys}
    for _ in range(DRAWS):
        runs = [
            {key: Mean(value, 3, None) for key, value in zip(keys, rng.normal(0, sds).tolist(), strict=True)}
            for _ in range(5)
        ]
        base = base_runs(runs[:4], there)
        wrong += _some_differ([beyond_runs(base[key], runs[4][key]) for key in keys])
    assert wrong <= MOST


def test_scatter_is_averaged_by_degrees_of_freedom() -> None:
    """Four cells of three blocks, by hand: 2 degrees of freedom of its own, 4 of the 6 that the other three have."""
    cells = [[0.00, 0.02, 0.04], [0.01, 0.05, 0.03], [0.03, 0.02, 0.01], [0.02, 0.00, 0.04]]
    first = trial_scatters([dict(enumerate(logs)) for logs in cells])[0]
    assert first is not None
    own, rest = np.var(cells[0], ddof=1), np.mean([np.var(logs, ddof=1) for logs in cells[1:]])
    assert first.df == pytest.approx(2 + 4)
    assert first.variance == pytest.approx((2 * own + 4 * rest) / 6)


def test_cells_that_only_rise_and_fall_with_their_blocks_tell_no_more_than_one_of_them() -> None:
    """Three blocks whose luck all four cells share: two degrees of freedom, as of one cell by itself."""
    shared = [0.00, 0.02, 0.07]
    found = trial_scatters([{block: level + log for block, log in enumerate(shared)} for level in (0, 1, 2, 3)])
    for each in found:
        assert each is not None
        assert each.df == pytest.approx(2)
        assert each.variance == pytest.approx(np.var(shared, ddof=1))


def _approx(change: Change) -> dict[str, Any]:
    numbers = ("ratio", "low", "high", "p", "p_holm", "worst")
    words = ("verdict", "not_worse", "correction", "more_blocks", "more_blocks_new", "more_base_runs")
    known = {name: value for name in numbers if (value := getattr(change, name)) is not None}
    return {name: getattr(change, name) for name in (*numbers, *words)} | {
        name: pytest.approx(value, rel=1e-9, abs=1e-12) for name, value in known.items()
    }


def _holes(seed: int, **terms: Any) -> Readings:
    """Readings of which some trials do not count."""
    rng = np.random.default_rng(seed)
    whole = scattered(dict.fromkeys(CELLS, 100.0), seed=seed, **terms)
    return {cell: [None if rng.random() < 0.2 and n else v for n, v in enumerate(vs)] for cell, vs in whole.items()}


@given(seed=st.integers(0, 10_000), order=st.permutations(CELLS))
@settings(max_examples=20, deadline=None)
def test_neither_the_order_of_cells_nor_the_names_of_shapes_matter(seed: int, order: list[tuple[str, int]]) -> None:
    base = _holes(seed, k=4, sd=0.01, block_sd=0.01)
    new = _holes(seed + 1, k=4, sd=0.01, block_sd=0.01)
    plain = compared(side(base, "base"), side(new))
    called = {"one": "z", "two": "a", "four": "m"}
    shapes = [shape | {"name": called[str(shape["name"])]} for shape in (FOUR, ONE, TWO)]
    renamed = side({(called[shape], threads): new[shape, threads] for shape, threads in order}, shapes=shapes)
    other = by_cell(compared(side({cell: base[cell] for cell in reversed(order)}, "base"), renamed))
    for change in plain.changes:
        twin = other[f"{called[change.shape]}-bookings-t{change.threads}"]
        assert vars(twin) == vars(twin) | _approx(change)


@given(seed=st.integers(0, 10_000), order=st.permutations(range(4)))
@settings(max_examples=15, deadline=None)
def test_the_order_of_base_runs_does_not_matter(seed: int, order: list[int]) -> None:
    runs = [side(_holes(seed + n, k=3, sd=0.01), f"r{n}") for n in range(4)]
    new = side(_holes(seed + 9, k=3, sd=0.01))
    there = compared([runs[n] for n in order], new)
    for change, twin in zip(compared(runs, new).changes, there.changes, strict=True):
        assert vars(twin) == vars(twin) | _approx(change)


@given(seed=st.integers(0, 10_000), blocks=st.tuples(st.integers(2, 6), st.integers(2, 6)))
@settings(max_examples=20, deadline=None)
def test_exchanging_two_runs_turns_every_figure_round(seed: int, blocks: tuple[int, int]) -> None:
    one, two = (side(_holes(seed + n, k=blocks[n], sd=0.02), str(n)) for n in (0, 1))
    turned = {"faster": "slower", "slower": "faster"}
    there, back = compared(one, two), compared(two, one)
    for change, other in zip(there.changes, back.changes, strict=True):
        assert other.verdict == turned.get(change.verdict, change.verdict)
        if change.low is not None and change.high is not None:
            assert (other.p, other.p_holm) == pytest.approx((change.p, change.p_holm), rel=1e-9)
            assert (other.low, other.high) == pytest.approx((1 / change.high, 1 / change.low))
        assert other.more_blocks == change.more_blocks
    if there.overall is not None and there.overall.low is not None and back.overall is not None:
        assert back.overall.high == pytest.approx(1 / there.overall.low)


def _guarded_pair(seed: int) -> tuple[Side, Side]:
    truth = dict.fromkeys(CELLS, 100.0) | {("two", 2): 100.0 / 1.03}
    return (
        side(scattered(dict.fromkeys(CELLS, 100.0), k=4, sd=0.004, seed=2 * seed), "base"),
        side(scattered(truth, k=4, sd=0.004, seed=2 * seed + 1)),
    )


def test_a_cell_that_lost_just_the_margin_hardly_ever_passes() -> None:
    """Each cell is asked alone, at 1 %, whether it may have lost 3 %: 300 comparisons in which one did."""
    passed = sum(by_cell(compared(*_guarded_pair(seed)))["two-bookings-t2"].not_worse for seed in range(300))
    assert passed <= stats.binom.isf(0.001, 300, 0.01)


def test_single_readings_that_lie_beyond_what_a_float_can_divide_are_compared_all_the_same() -> None:
    only = compared(side({("one", 1): [1e-300]}, "base"), side({("one", 1): [1e300]})).changes[0]
    assert only.ratio == pytest.approx(math.exp(700), rel=1e-9)
    assert only.verdict == "undecided"


def test_a_cell_of_a_single_base_run_is_said_to_be_that() -> None:
    both = {("one", 1): [100.0, 101.0], ("two", 1): [50.0, 51.0]}
    found = compared([side(both, "a"), side({("one", 1): [100.0, 102.0]}, "b")], side(both))
    assert "One of two cells was measured in only one of the base runs" in " ".join(found.remarks)
    assert by_cell(found)["two-bookings-t1"].low is None
