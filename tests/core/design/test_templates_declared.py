"""A catalogue of templates in a plan: its cells are these and no others; what cannot be meant is told at its place."""

from __future__ import annotations

from typing import Any

import pytest
from plan_samples import lab, plan
from plan_texts import PLAN, position, problems, read

from orchestrator.core.design.fit import plan_misfits, remarks
from orchestrator.core.design.trials import cells, trials

SMALL = {"name": "small", "shape": "one", "workload": "bookings", "threads": 1, "share-of-next": "55 %"}
MEDIUM = {"name": "medium", "shape": "two", "workload": "bookings", "threads": 2, "share-of-next": "60 %"}
LARGE = {"name": "large", "shape": "four", "workload": "bookings", "threads": 4}
CATALOGUE = [SMALL, MEDIUM, LARGE]

TEXT = PLAN.replace("design:\n", "templates:\n{}design:\n").replace(
    "  only: [{workload: bookings}, {workload: fares, threads: 4}]\n  except: [{shape: one, threads: 4}]\n", ""
)


def catalogue(*lines: str) -> str:
    """The good plan with these templates in place of its filters."""
    return TEXT.replace("templates:\n{}", "templates:\n" + "".join(f"  - {{{line}}}\n" for line in lines))


GOOD = (
    "name: small, shape: one, workload: bookings, threads: 1, share-of-next: 55 %",
    "name: medium, shape: two, workload: bookings, threads: 2",
)


def test_the_cells_are_the_templates_in_their_order() -> None:
    guarded = plan(templates=[LARGE | {"workload": "fares", "threads": 2}, SMALL, MEDIUM, LARGE])
    assert [cell.id for cell in cells(guarded)] == [
        "four-fares-t2",
        "one-bookings-t1",
        "two-bookings-t2",
        "four-bookings-t4",
    ]
    assert len(trials(guarded)) == 4 * 5
    assert plan_misfits(guarded) == []
    whole = [trial.cell.id for trial in trials(plan()) if trial.block == 1]
    chosen = [trial.cell.id for trial in trials(guarded) if trial.block == 1]
    assert [cell for cell in whole if cell in chosen] == chosen, "as with filters, the order of the others stays"


def test_what_a_catalogue_leaves_out_is_remarked() -> None:
    said = "\n".join(remarks(plan(templates=[SMALL, MEDIUM | {"share-of-next": None}]), lab()))
    assert "no template has shape four: not measured" in said
    assert "no template has workload fares: not measured" in said


def test_more_cells_than_a_run_holds_do_not_matter_where_templates_choose_a_few() -> None:
    shapes = [{"name": f"s{i}", "vcpus": 1, "memory": "1 GiB"} for i in range(100)]
    loads = [{"name": "b", "use": "bookings", "threads": list(range(1, 102))}]
    few = [{"name": "only", "shape": "s7", "workload": "b", "threads": 9}]
    assert plan_misfits(plan(shapes=shapes, workloads=loads, templates=few)) == []


def test_a_catalogue_is_read_from_a_file() -> None:
    found = read(catalogue(*GOOD)).plan.templates
    assert [(t.name, t.key, t.share_of_next) for t in found] == [
        ("small", ("one", "bookings", 1), 0.55),
        ("medium", ("two", "bookings", 2), None),
    ]


@pytest.mark.parametrize(
    ("lines", "field", "says"),
    [
        ((GOOD[0].replace("one", "onee"), GOOD[1]), "templates[0].shape", "unknown shape 'onee'; did you mean 'one'?"),
        ((GOOD[0].replace("bookings", "booking"), GOOD[1]), "templates[0].workload", "did you mean 'bookings'?"),
        ((GOOD[0], GOOD[1].replace("threads: 2", "threads: 3")), "templates[1].threads", "there are 1, 2"),
        ((GOOD[0], GOOD[1].replace("medium", "small")), "templates[1].name", "used twice, first by templates[0]"),
        (
            (*GOOD, "name: small, shape: two, workload: fares, threads: 2"),
            "templates[2].name",
            "a template has one size, under whatever load",
        ),
        (
            (*GOOD, "name: medium-2, shape: two, workload: bookings, threads: 2"),
            "templates[2].shape",
            "is the same cell as 'medium' (templates[1])",
        ),
        ((GOOD[1], GOOD[0].replace(", share-of-next: 55 %", "")), "templates[1].shape", "the least first"),
        ((GOOD[0], f"{GOOD[1]}, share-of-next: 50 %"), "templates[1].share-of-next", "medium is the last template"),
        ((GOOD[0].replace("55 %", "0.55"), GOOD[1]), "templates[0].share-of-next", "write a percentage such as '3 %'"),
        ((GOOD[0].replace("55 %", "100 %"), GOOD[1]), "templates[0].share-of-next", "100 %"),
        ((GOOD[0].replace("shape:", "shap:"), GOOD[1]), "templates[0].shap", "did you mean 'shape'"),
    ],
)
def test_what_cannot_be_meant_is_told_at_its_place(lines: tuple[str, ...], field: str, says: str) -> None:
    text = catalogue(*lines)
    found = [problem for problem in problems(text) if problem.field == field]
    assert len(found) == 1, [str(problem) for problem in problems(text)]
    assert says in found[0].message
    name, line, _ = position(found[0])
    assert name.endswith("plan.yaml")
    assert text.splitlines()[line - 1].strip() == f"- {{{lines[int(field[10])]}}}"


def test_all_that_is_wrong_with_a_catalogue_is_told_at_once() -> None:
    wrong = problems(catalogue(GOOD[0].replace("one", "tree"), GOOD[1].replace("threads: 2", "threads: 8")))
    assert [problem.field for problem in wrong] == ["templates[0].shape", "templates[1].threads"]


@pytest.mark.parametrize(
    ("design", "at"),
    [
        ({"only": [{"shape": "one"}]}, "design.only"),
        ({"except": [{"shape": "one"}]}, "design.except"),
        ({"blocks": {"until": "decided"}}, "design.blocks"),
    ],
)
def test_what_else_chooses_cells_or_ends_a_run_does_not_go_with_templates(design: dict[str, Any], at: str) -> None:
    with pytest.raises(ValueError, match=r"templates") as caught:
        plan(templates=CATALOGUE, design=design)
    assert at in str(caught.value)
