"""Cells are matched by what they are, and nothing is dropped in silence."""

from __future__ import annotations

from compared_runs import BOOKINGS, FOUR, GIB, ONE, TWO, by_cell, compared, side

READ = [100.0, 101.0, 99.0]


def test_a_cell_is_found_again_under_another_name() -> None:
    renamed = ({**ONE, "name": "small"}, {**TWO, "name": "middle"})
    load = {**BOOKINGS, "name": "ferry"}
    base = side({("one", 1): READ, ("two", 2): READ}, "base")
    new = side(
        {("small", 1): READ, ("middle", 2): READ}, shapes=renamed, load=load, files={"ferry/bookings.py": "a" * 64}
    )
    found = compared(base, new)
    assert [(c.base_cell, c.cell, c.matched_by) for c in found.changes] == [
        ("one-bookings-t1", "small-ferry-t1", "definition"),
        ("two-bookings-t2", "middle-ferry-t2", "definition"),
    ]
    assert found.changes[0].remarks == ("called one-bookings-t1 in the base",)
    assert found.unmatched == ()


def test_another_size_under_the_same_name_is_no_match_and_says_what_differs() -> None:
    base = side({("one", 1): READ, ("two", 1): READ}, "base")
    new = side({("one", 1): READ, ("two", 1): READ}, shapes=(ONE, {**TWO, "memory": 2 * GIB, "vcpus": 3}))
    found = compared(base, new)
    assert [c.cell for c in found.changes] == ["one-bookings-t1"]
    why = {(u.side, u.cell): u.why for u in found.unmatched}
    assert why["new", "two-bookings-t1"] == (
        "shape two has 3 vCPUs, 2 vCPUs in the base; shape two has 2 GiB, 1 GiB in the base"
    )
    assert why["base", "two-bookings-t1"].startswith("shape two has 2 vCPUs, 3 vCPUs in the new run")
    assert "Two cells are not compared" in found.answer


def test_another_load_under_the_same_name_is_no_match() -> None:
    other = {**BOOKINGS, "with": {"ferries": 12}}
    found = compared(side({("one", 1): READ}, "base"), side({("one", 1): READ}, load=other))
    assert found.changes == ()
    assert [u.why for u in found.unmatched] == [
        "workload bookings has with: ferries 12, none in the base",
        "workload bookings has with: none, ferries 12 in the new run",
    ]
    assert found.answer.startswith("No cell is the same")
    assert found.overall is None


def test_changed_files_are_compared_only_where_that_is_accepted() -> None:
    base = side({("one", 1): READ}, "base")
    new = side({("one", 1): READ}, files={"bookings/bookings.py": "b" * 64})
    refused = compared(base, new)
    assert refused.changes == ()
    assert {u.why for u in refused.unmatched} == {
        "bookings.py is another file than in the base; --accept-changes compares it all the same",
        "bookings.py is another file than in the new run; --accept-changes compares it all the same",
    }
    accepted = compared(base, new, accept_changed_files=True)
    assert accepted.unmatched == ()
    assert accepted.changes[0].remarks == ("bookings.py: not the file that the base sent",)


def test_cells_that_only_one_run_has_are_listed() -> None:
    found = compared(side({("one", 1): READ, ("one", 2): READ}, "base"), side({("one", 1): READ, ("four", 1): READ}))
    assert {(u.side, u.cell, u.why) for u in found.unmatched} == {
        ("new", "four-bookings-t1", "the base has no such cell"),
        ("base", "one-bookings-t2", "the new run has no such cell"),
    }


def test_cells_without_a_trial_that_counts_are_listed_with_why() -> None:
    base = side({("one", 1): READ, ("two", 1): [None, None], ("four", 1): READ, ("four", 2): [None]}, "base")
    new = side({("one", 1): READ, ("two", 1): READ, ("four", 1): [None], ("four", 2): [None]})
    found = compared(base, new)
    assert [c.cell for c in found.changes] == ["one-bookings-t1"]
    assert {(u.side, u.cell, u.why) for u in found.unmatched} == {
        ("new", "two-bookings-t1", "the base has no trial of it that became steady"),
        ("base", "four-bookings-t1", "the new run has no trial of it that became steady"),
        ("base", "four-bookings-t2", "the new run has no trial of it that became steady, nor has the base"),
    }


def test_two_shapes_of_one_size_are_matched_by_name_and_then_in_order() -> None:
    twins = ({**TWO, "name": "left"}, {**TWO, "name": "right"})
    base = side({("left", 1): READ, ("right", 1): [200.0, 202.0, 198.0]}, "base", shapes=twins)
    new = side({("right", 1): [200.0, 202.0, 198.0], ("other", 1): READ}, shapes=(twins[1], {**TWO, "name": "other"}))
    found = by_cell(compared(base, new))
    assert found["right-bookings-t1"].base_cell == "right-bookings-t1"
    assert found["other-bookings-t1"].base_cell == "left-bookings-t1"


def test_readings_taken_by_hand_are_matched_by_names_and_sizes() -> None:
    by_hand = ({"name": "old", "vcpus": 2, "memory": None}, {"name": "big", "vcpus": 8, "memory": None})
    base = side(
        {("old", 2): READ, ("big", 2): READ}, "base", shapes=by_hand, load={"name": "bookings"}, files={},
        blocked=False, origin="imported",
    )  # fmt: skip
    found = compared(base, side({("two", 2): READ, ("four", 2): READ}))
    assert [(c.cell, c.base_cell, c.matched_by) for c in found.changes] == [
        ("two-bookings-t2", "old-bookings-t2", "name")
    ]
    assert any("whether the loads are the same is not known" in remark for remark in found.remarks)
    assert {u.cell for u in found.unmatched} == {"big-bookings-t2", "four-bookings-t2"}


def test_readings_of_a_load_by_another_name_say_which_name_they_would_need() -> None:
    by_hand = ({"name": "old", "vcpus": 2, "memory": None},)
    unnamed = {("old", 2): READ}
    base = side(unnamed, "base", shapes=by_hand, load={"name": "load"}, files={}, blocked=False, origin="imported")
    found = compared(base, side({("two", 2): READ}))
    assert [u.why for u in found.unmatched] == [
        "its load is called bookings, and load in the base; imported readings are matched by that name",
        "its load is called load, and bookings in the new run; imported readings are matched by that name",
    ]
    assert found.remarks == ()


def test_a_base_run_that_lacks_a_cell_is_told_beside_it() -> None:
    bases = [
        side({("one", 1): READ, ("two", 1): READ}, "a"),
        side({("one", 1): READ}, "b"),
        side({("one", 1): READ}, "c"),
    ]
    found = by_cell(compared(bases, side({("one", 1): READ, ("two", 1): READ})))
    assert found["two-bookings-t1"].remarks == ("held by 1 of 3 base runs",)
    assert found["two-bookings-t1"].low is None
    assert found["one-bookings-t1"].remarks == ()


def test_keys_and_absent_settings_spell_the_same_size() -> None:
    spelled = {"memory": GIB, "vcpus": 1, "name": "one", "quota": None, "pin": None, "reshape": "cold"}
    found = compared(side({("one", 1): READ}, "base"), side({("one", 1): READ}, shapes=(spelled, FOUR)))
    assert len(found.changes) == 1
    live = compared(side({("one", 1): READ}, "base"), side({("one", 1): READ}, shapes=({**ONE, "reshape": "live"},)))
    assert [u.why for u in live.unmatched] == [
        "shape one has reshape live, cold in the base",
        "shape one has reshape cold, live in the new run",
    ]


def test_what_only_some_base_runs_have_is_told_with_the_runs() -> None:
    bases = [
        side({("one", 1): READ, ("two", 1): READ}, "a"),
        side({("one", 1): READ, ("two", 1): READ, ("two", 2): READ}, "b"),
    ]
    found = compared(bases, side({("one", 1): READ}))
    assert [(u.cell, u.why) for u in found.unmatched] == [
        ("two-bookings-t1", "the new run has no such cell"),
        ("two-bookings-t2", "the new run has no such cell (run b)"),
    ]
