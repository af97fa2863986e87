"""Plan against lab: what does not fit, what is refused, what is remarked."""

from __future__ import annotations

from typing import Any

import pytest
import scipy.stats
from plan_samples import SHAPES, WORKLOADS, lab, plan

from orchestrator.core.design.fit import misfits, plan_misfits, refusals, remarks
from orchestrator.core.measure.steady.steady_state import FEWEST

ALL = frozenset({"topology", "quota", "pin"})


def said(**changes: Any) -> str:
    """All remarks on a plan with changes, on the good lab."""
    return "\n".join(remarks(plan(**changes), lab()))


def with_shape(**extra: Any) -> dict[str, Any]:
    return {"shapes": [*SHAPES[1:], SHAPES[0] | extra]}


def test_a_plan_that_fits() -> None:
    assert plan_misfits(plan()) == []
    assert misfits(plan(), lab(), frozenset()) == []
    assert refusals(lab(), "bookings-1") == []
    assert remarks(plan(), lab()) == []


def test_an_unknown_guest_is_the_only_finding() -> None:
    (found,) = misfits(plan(guest="boking-1"), lab(limits={"vcpus": 1}), frozenset())
    assert found.at == ("guest",)
    assert "did you mean 'bookings-1'" in found.message


@pytest.mark.parametrize(
    ("limits", "at"),
    [
        ({"vcpus": 3}, [("shapes", 2, "vcpus")]),
        ({"vcpus": 1}, [("shapes", 1, "vcpus"), ("shapes", 2, "vcpus")]),
        ({"memory": "1 GiB"}, [("shapes", 2, "memory")]),
        ({"vcpus": 2, "memory": "1.5 GiB"}, [("shapes", 2, "vcpus"), ("shapes", 2, "memory")]),
        ({"vcpus": 4, "memory": "2 GiB"}, []),
        ({}, []),
    ],
)
def test_shapes_larger_than_the_limits(limits: dict[str, Any], at: list[Any]) -> None:
    assert [found.at for found in misfits(plan(), lab(limits=limits), frozenset())] == at


@pytest.mark.parametrize(
    ("extra", "feature"),
    [({"topology": {"cores": 1}}, "topology"), ({"quota": "50 %"}, "quota"), ({"pin": [0]}, "pin")],
)
def test_features_that_the_driver_lacks(extra: dict[str, Any], feature: str) -> None:
    wanting = plan(**with_shape(**extra))
    (found,) = misfits(wanting, lab(), ALL - {feature})
    assert found.at == ("shapes", 2, feature)
    assert all(able in found.message for able in ALL - {feature})
    assert misfits(wanting, lab(), ALL) == []


def test_filters_name_what_there_is() -> None:
    patterns = [{"shape": "thre"}, {"workload": "fare"}, {"threads": 3}, {"workload": "fares", "threads": 1}]
    found = plan_misfits(plan(design={"only": patterns}))
    assert [f.at[1:] for f in found] == [
        ("only", 0, "shape"),
        ("only", 1, "workload"),
        ("only", 2, "threads"),
        ("only", 3, "threads"),
    ]


def test_filters_that_leave_nothing() -> None:
    (found,) = plan_misfits(plan(design={"only": [{"shape": "one"}], "except": [{"shape": "one"}]}))
    assert found.at == ("design",)


def test_more_trials_than_a_run_holds() -> None:
    assert plan_misfits(plan(design={"blocks": 833})) == []
    (found,) = plan_misfits(plan(design={"blocks": 834}))
    assert found.at == ("design", "blocks")
    assert "12 cells x 834 blocks are 10008 trials" in found.message
    shapes = [{"name": f"s{i}", "vcpus": 1, "memory": "1 GiB"} for i in range(100)]
    loads = [{"name": "b", "use": "bookings", "threads": list(range(1, 102))}]
    assert plan_misfits(plan(shapes=shapes, workloads=loads))[0].at == ("shapes",)


def test_a_guest_without_its_mark_is_refused() -> None:
    (reason,) = refusals(lab(**{"may-power-cycle": False}), "bookings-1")
    assert "not marked may-power-cycle: true" in reason
    assert "unknown guest" in refusals(lab(), "other")[0]


def test_few_blocks_are_remarked_with_the_right_figure() -> None:
    assert "carries no uncertainty" in said(design={"blocks": 1})
    two = said(design={"blocks": 2})
    assert f"{scipy.stats.t.ppf(0.975, 1):.1f} standard errors" in two
    assert "blocks" not in said(design={"blocks": 3})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"decide": {"margin": "1 %"}}, "margin 1 % is finer than one trial is measured (until-within 2 %)"),
        ({"measure": {"steady": {"at-least": "8 s"}}}, "only 8 samples"),
        (
            {"measure": {"warm-up": {"at-least": "2 s", "at-most": "3 s"}, "steady": {"at-least": "6 s"}}},
            f"may end after 9 samples: of fewer than {FEWEST} readings",
        ),
        ({"design": {"order": "as-written"}}, "random guards against it"),
        ({"shapes": SHAPES[:1], "workloads": WORKLOADS[1:]}, "only one shape is measured"),
        ({"shapes": SHAPES[:2]}, "a vCPU for each of 4 threads"),
        (with_shape(quota="100 %"), "quota 100 % never binds on 1 vCPUs"),
        ({"shapes": [*SHAPES, {"name": "x", "vcpus": 2, "memory": "1 GiB", "pin": [0]}]}, "pinned to 1 physical CPUs"),
        (
            {"workloads": [*WORKLOADS, WORKLOADS[1] | {"name": "f", "threads": [1, 2], "command": ["f"]}]},
            "does not use {threads}",
        ),
        ({"workloads": [WORKLOADS[0], WORKLOADS[1] | {"command": ["f", "{thread}"]}]}, "did you mean {threads}?"),
        ({"lab": "/srv/lab.yaml"}, "is an absolute path"),
    ],
)
def test_remarks(changes: dict[str, Any], words: str) -> None:
    assert words in said(**changes)


def test_a_guest_without_limits_is_remarked() -> None:
    assert "sets no limits for bookings-1" in "\n".join(remarks(plan(), lab(limits={})))
