"""What a comparison with a baseline comes to: kept, worse or undecided, and which cells a plan would leave out."""

from __future__ import annotations

from typing import Any

import pytest
from stored_runs import PLAN, run_record

from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.verdict.between_runs.guarded import Outcome, foreseen, guarded
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared, Unmatched
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.templates import TemplateFinding

GIB = 2**30


def change(verdict: str, *, not_worse: bool, shape: str = "one", threads: int = 1) -> Change:
    """A cell with this word."""
    cell = f"{shape}-bookings-t{threads}"
    nothing: dict[str, Any] = dict.fromkeys(
        ("base_low", "base_high", "new_low", "new_high", "p", "p_holm", "more_blocks", "more_blocks_new")
    )
    return Change(
        cell=cell,
        base_cell=cell,
        shape=shape,
        vcpus={"one": 1, "two": 2}[shape],
        memory=GIB,
        workload="bookings",
        threads=threads,
        matched_by="definition",
        base_trials=5,
        new_trials=5,
        base_per_s=1000.0,
        new_per_s=950.0,
        ratio=0.95,
        low=0.94,
        high=0.96,
        verdict=verdict,
        not_worse=not_worse,
        confidence_alone=0.95,
        correction="none",
        **nothing,
    )


KEPT = change("equivalent", not_worse=True)
FASTER = change("faster", not_worse=True)
SLOWER = change("slower", not_worse=False, shape="two", threads=2)
SLIGHTLY = change("slower", not_worse=True)
OPEN = change("undecided", not_worse=False, shape="two")
NEARLY = change("undecided", not_worse=True)
GONE = Unmatched(side="base", cell="two-bookings-t4", why="the new run has no such cell")
MORE = Unmatched(side="new", cell="four-bookings-t4", why="the base has no such cell")


def compared(*changes: Change, unmatched: tuple[Unmatched, ...] = ()) -> RunsCompared:
    """A comparison of these cells."""
    return RunsCompared(
        base=("before",),
        new="after",
        margin=0.03,
        confidence=0.95,
        per="second",
        runs_are_readings=False,
        answer="",
        changes=changes,
        unmatched=unmatched,
        overall=None,
        surroundings=(),
        remarks=(),
    )


def template(**changes: Any) -> TemplateFinding:
    """The template ``small``, which is one-bookings-t1."""
    facts: dict[str, Any] = dict.fromkeys(TemplateFinding.model_fields)
    named = {"template": "small", "cell": "one-bookings-t1", "shape": "one", "workload": "bookings", "threads": 1}
    return TemplateFinding(**facts | named | {"sentence": "It is.", "rank": "kept"} | changes)


@pytest.mark.parametrize(
    ("changes", "unmatched", "outcome"),
    [
        ((KEPT, FASTER, NEARLY), (), "kept"),
        ((KEPT, SLIGHTLY), (), "kept"),
        ((KEPT,), (MORE,), "kept"),
        ((KEPT, OPEN), (), "undecided"),
        ((KEPT,), (GONE,), "undecided"),
        ((), (GONE, MORE), "undecided"),
        ((), (), "undecided"),
        ((KEPT, SLOWER), (), "worse"),
        ((OPEN, SLOWER), (GONE,), "worse"),
    ],
)
def test_the_worst_of_all_cells_decides(
    changes: tuple[Change, ...], unmatched: tuple[Unmatched, ...], outcome: Outcome
) -> None:
    assert guarded(compared(*changes, unmatched=unmatched)).outcome == outcome


@pytest.mark.parametrize(
    ("found", "outcome"),
    [
        ({}, "kept"),
        ({"rank": "lost"}, "worse"),
        ({"as_expected": "lower"}, "worse"),
        ({"as_expected": "higher", "rank": "undecided"}, "worse"),
        ({"rank": "undecided"}, "undecided"),
        ({"as_expected": "undecided"}, "undecided"),
    ],
)
def test_templates_count_beside_the_cells(found: dict[str, Any], outcome: Outcome) -> None:
    assert guarded(compared(KEPT), [template(**found)]).outcome == outcome
    assert guarded(compared(KEPT, SLOWER), [template(**found)]).outcome == "worse"


def test_the_answer_names_what_is_slower_undecided_and_missing() -> None:
    found = guarded(compared(OPEN, SLOWER, KEPT, FASTER, unmatched=(GONE,)), [template(), template(cell="a")])
    assert found.answer == (
        "Slower: two-bookings-t2. Open whether more was lost than the margin of 3 %: two-bookings-t1. In the base "
        "and not compared: two-bookings-t4. Two other cells lost no more than the margin of 3 %, as shown. Each of two "
        "templates keeps its rank."
    )
    assert (found.slower, found.undecided, found.missing) == (
        ("two-bookings-t2",),
        ("two-bookings-t1",),
        ("two-bookings-t4",),
    )
    named = guarded(compared(change("slower", not_worse=False)), [template()]).answer
    assert named.startswith("Slower: small (one-bookings-t1).")
    both = guarded(compared(KEPT, SLIGHTLY)).answer
    assert both == "Both cells lost no more than the margin of 3 %, as shown."


def planned(**changes: Any) -> RunRecord:
    """A run of two cells whose load sends a file."""
    return run_record(**{"inputs_sha256": {"bookings/bookings.py": "a" * 64}} | changes)


def base(record: RunRecord) -> Side:
    """A run of which both cells were measured."""
    seen = (
        Observation("one", 1, GIB, "bookings", 1, 1, 1000.0),
        Observation("two", 2, GIB, "bookings", 2, 1, 1900.0),
    )
    return Side(StoredRun(record, (), "done", ""), Evidence(seen))


def test_what_a_run_will_be_compared_in_is_known_before_it_is_measured() -> None:
    both = ("one-bookings-t1", "two-bookings-t2")
    assert foreseen([base(planned())], planned()) == (both, ())
    larger = PLAN | {"shapes": [PLAN["shapes"][0], {"name": "two", "vcpus": 2, "memory": 2 * GIB}]}
    cells, left = foreseen([base(planned())], planned(plan=larger))
    assert cells == both[:1]
    assert [(alone.cell, alone.why) for alone in left] == [(both[1], "shape two has 1 GiB, 2 GiB in the new run")]
    edited = planned(inputs_sha256={"bookings/bookings.py": "b" * 64})
    cells, left = foreseen([base(planned())], edited)
    assert cells == ()
    assert all("--accept-changes compares it all the same" in alone.why for alone in left)
    assert foreseen([base(planned())], edited, accept_changed_files=True) == (both, ())
