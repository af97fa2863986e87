"""Stored runs set against each other, measured in the simulated lab, whose truth is known."""

from __future__ import annotations

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.engine.compare import compare_stored
from orchestrator.errors import InputError, StoreError
from orchestrator.testing.memory_store import MemoryStore

CELLS = ("one-bookings-t1", "two-bookings-t1")
#: Of one thread on a vCPU that never waits; afterwards the host gives a tenth less.
BEFORE, AFTER = 1000.0, 900.0


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    """Two runs as it was (run-1, run-1-2) and one of a slower host (run-1-3), each with chance of its own."""
    kept = MemoryStore()
    usual = plan(
        workloads=[{"name": "bookings", "use": "bookings", "threads": [1]}],
        design={"blocks": 3, "seed": 7},
        measure={"steady": {"at-least": "30 s", "at-most": "30 s"}},
        decide={"margin": "4 %"},
    )
    for seed, rate in ((1, BEFORE), (2, BEFORE), (3, AFTER)):
        host = lab(seed=seed, rate=rate, neighbours=0, noise={"between": "0.4 %", "within": "1 %"})
        Experiment(usual, host, kept).go()
    return kept


def test_a_host_that_gives_a_tenth_less_is_found_slower(store: MemoryStore) -> None:
    found = compare_stored(store, ["run-1"], "run-1-3")
    assert (found.base, found.new, found.margin, found.runs_are_readings) == (("run-1",), "run-1-3", 0.04, False)
    assert {each.cell: each.verdict for each in found.changes} == dict.fromkeys(CELLS, "slower")
    for each in found.changes:
        assert each.low is not None
        assert each.high is not None
        assert each.low < AFTER / BEFORE < each.high
        assert each.cpu_ratio == pytest.approx(0.9, rel=0.02)
    assert found.overall is not None
    assert found.overall.ratio == pytest.approx(0.9, rel=0.01)
    assert found.unmatched == ()


def test_a_host_that_gives_the_same_is_not_called_slower(store: MemoryStore) -> None:
    found = compare_stored(store, ["run-1"], "run-1-2", margin=0.05)
    assert {each.verdict for each in found.changes} == {"equivalent"}
    assert all(each.not_worse for each in found.changes)


def test_both_runs_before_are_a_base_together(store: MemoryStore) -> None:
    found = compare_stored(store, ["run-1", "run-1-2"], "run-1-3", confidence=0.9)
    assert (found.base, found.confidence, found.runs_are_readings) == (("run-1", "run-1-2"), 0.9, True)
    assert [(each.base_trials, each.new_trials) for each in found.changes] == [(6, 3), (6, 3)]
    assert found.remarks[0].startswith("The base is two runs, and whole runs are its readings")


def test_what_is_not_the_same_around_the_runs_stands_beside_it(store: MemoryStore) -> None:
    kept = store.kept["run-1-3"].environment
    assert kept is not None
    store.kept["run-1-3"].environment = kept.model_copy(update={"host": {**kept.host, "kernel": "6.99"}})
    try:
        told = [each for each in compare_stored(store, ["run-1"], "run-1-3").surroundings if each.new == "6.99"]
        assert [(each.where, each.fact) for each in told] == [("host", "kernel")]
    finally:
        store.kept["run-1-3"].environment = kept


def test_a_damaged_fingerprint_does_not_keep_runs_from_being_compared(store: MemoryStore) -> None:
    class Damaged(MemoryStore):
        def environment(self, run: StoredRun) -> Environment | None:  # noqa: ARG002
            raise StoreError("environment.json is cut off")

    damaged = Damaged()
    damaged.kept = store.kept
    found = compare_stored(damaged, ["run-1"], "run-1-3")
    assert len(found.changes) == 2
    assert any("no fingerprint" in each.sentence for each in found.surroundings)


@pytest.mark.parametrize(
    ("base", "new", "message"),
    [
        (["run-1-2"], "run-1-2", "'run-1-2' is named twice: run run-1-2"),
        (["run-1-3"], "last", "'run-1-3' and 'last' are both run run-1-3"),
        (["run-1", "run-1"], "last", "'run-1' is named twice: run run-1"),
        ([], "last", "no run is given to compare with"),
    ],
)
def test_a_run_is_compared_with_others(store: MemoryStore, base: list[str], new: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        compare_stored(store, base, new)


def test_a_run_that_is_not_there_is_told(store: MemoryStore) -> None:
    with pytest.raises(StoreError, match="nowhere"):
        compare_stored(store, ["nowhere"], "last")
