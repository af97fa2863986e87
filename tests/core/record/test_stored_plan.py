"""What is read from the plan that a run keeps, whoever wrote it."""

from __future__ import annotations

import pytest

from orchestrator.core.design.plan import Design
from orchestrator.core.record.stored_plan import StoredPlan


@pytest.mark.parametrize("by_alias", [False, True])
def test_limits_of_blocks_are_read_however_their_keys_are_written(by_alias: bool) -> None:
    design = Design.model_validate({"blocks": {"until": "decided", "at-least": 4, "at-most": 9}})
    plan = StoredPlan({"design": design.model_dump(mode="json", by_alias=by_alias)})
    assert (plan.until_decided, plan.least_blocks, plan.most_blocks) == (True, 4, 9)


@pytest.mark.parametrize(("blocks", "has"), [(5, True), (None, False)])
def test_a_fixed_number_of_blocks_has_no_limits(blocks: int | None, has: bool) -> None:
    plan = StoredPlan({"design": {"blocks": blocks}})
    assert (plan.has_blocks, plan.until_decided, plan.least_blocks, plan.most_blocks) == (has, False, None, None)


@pytest.mark.parametrize("entries", [{}, {"design": None}, {"design": {}}, {"design": 7}])
def test_a_plan_that_tells_nothing_of_blocks_is_read_all_the_same(entries: dict[str, object]) -> None:
    plan = StoredPlan(entries)
    assert (plan.has_blocks, plan.until_decided, plan.least_blocks) == (False, False, None)


def test_what_an_older_plan_could_not_declare_is_as_usual() -> None:
    plan = StoredPlan({"decide": {"margin": 0.05, "confidence": 0.9}})
    assert (plan.margin, plan.confidence) == (0.05, 0.9)
    assert plan.number("decide", "idle", usual=0.7) == 0.7
    assert plan.number("decide", "margin", usual=0.7) == 0.05
    with pytest.raises(KeyError):
        _ = StoredPlan({}).margin


def test_a_load_is_read_as_it_declares_and_else_as_the_built_in_one() -> None:
    loads = [{"name": "bookings"}, {"name": "own", "reader": {"figure": "rate", "per": "minute"}}, "none at all"]
    plan = StoredPlan({"workloads": loads})
    assert plan.reader("bookings") == {"figure": "count", "per": "second"}
    assert plan.reader("own") == {"figure": "rate", "per": "minute"}
    assert plan.reader("another") == {}
