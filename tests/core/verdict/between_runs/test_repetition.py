"""The statement on a repeated experiment.

Terms: ACM, Artifact Review and Badging, version 1.1 (24 August 2020): repeatability is "same team, same experimental
setup"; reproducibility "using the author's own artifacts"; each "with stated precision", which is the margin here.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from orchestrator.core.verdict.between_runs.repetition import in_same_set_up, repetition
from orchestrator.core.verdict.between_runs.results import Change, Difference, Repetition, RunsCompared, Unmatched
from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.comparison import Word
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.verdict import Verdict, verdict
from orchestrator.testing.series import deviates

#: A second vCPU serves two threads; a thread alone gains nothing by it.
ONE_FOR_ONE = {("one", 1): 1000.0, ("two", 1): 1000.0, ("one", 2): 1000.0, ("two", 2): 1900.0}
TWO_FOR_ALL = {("one", 1): 1000.0, ("two", 1): 1300.0, ("one", 2): 1000.0, ("two", 2): 1900.0}


def judged(
    truth: dict[tuple[str, int], float] = ONE_FOR_ONE, blocks: int = 6, sd: float = 0.002, seed: int = 1
) -> Verdict:
    chance = deviates(seed)
    observations = [
        Observation(shape, {"one": 1, "two": 2}[shape], 2**30, "bookings", threads, block, mean * math.exp(scatter))
        for block in range(1, blocks + 1)
        for (shape, threads), mean in truth.items()
        for scatter in [sd * next(chance)]
    ]
    return verdict(Evidence(tuple(observations)))


def change(cell: str, word: Word) -> Change:
    shape, _, threads = cell.partition("-bookings-t")
    unknown = ("base_low", "base_high", "new_low", "new_high", "p", "p_holm", "confidence_alone")
    facts: dict[str, Any] = dict.fromkeys((*unknown, "memory", "more_blocks", "more_blocks_new"))
    facts |= {"shape": shape, "vcpus": 1, "workload": "bookings", "threads": int(threads), "matched_by": "definition"}
    facts |= {"base_trials": 6, "new_trials": 6, "base_per_s": 1000.0, "new_per_s": 1000.0, "ratio": 1.0}
    low, high = {"faster": (1.2, 1.3), "slower": (0.7, 0.8), "equivalent": (0.99, 1.01), "undecided": (0.9, 1.1)}[word]
    facts |= {"low": low, "high": high, "not_worse": False, "correction": "Bonferroni"}
    return Change(cell=cell, base_cell=cell, verdict=word, **facts)


def difference(fact: str, weight: str = "likely", where: str = "host") -> Difference:
    return Difference.model_validate(
        {"where": where, "fact": fact, "meaning": fact, "base": "a", "new": "b", "weight": weight, "sentence": "..."}
    )


def compared(*words: Word, surroundings: tuple[Difference, ...] = (), lacking: tuple[str, ...] = ()) -> RunsCompared:
    cells = ("one-bookings-t1", "two-bookings-t1", "one-bookings-t2", "two-bookings-t2")
    return RunsCompared(
        base=("original",),
        new="here",
        margin=0.03,
        confidence=0.95,
        per="second",
        runs_are_readings=False,
        answer="",
        changes=tuple(change(cell, word) for cell, word in zip(cells, words, strict=False)),
        unmatched=tuple(Unmatched(side="base", cell=cell, why="not run") for cell in lacking),
        overall=None,
        surroundings=surroundings,
        remarks=(),
    )


def stated(found: RunsCompared, new: Verdict | None = None, *, same: bool = False) -> Repetition:
    return repetition(found, judged(), new or judged(seed=2), same_set_up=same)


ALL_EQUAL = compared("equivalent", "equivalent", "equivalent", "equivalent")


def test_all_cells_equivalent_in_the_same_set_up_is_repeated() -> None:
    found = stated(ALL_EQUAL, same=True)
    assert (found.term, len(found.agree), found.same_shapes) == ("repeated", 4, True)
    assert found.sentence == (
        "Repeated, in ACM's terms, version 1.1: in the same set-up all four cells are equivalent to the original's "
        "within the margin of 3 %. The same shape fits for every load."
    )


def test_all_cells_equivalent_elsewhere_is_reproduced() -> None:
    found = stated(ALL_EQUAL)
    assert found.term == "reproduced"
    assert found.sentence.startswith(
        "Reproduced, in ACM's terms, version 1.1: with the original's artefacts in another"
    )


def test_a_faster_host_gives_other_figures_and_the_conclusion_may_hold_all_the_same() -> None:
    around = (difference("cpu_model"), difference("kernel"), difference("seed of the order", "unlikely", "method"))
    found = stated(compared("faster", "faster", "faster", "equivalent", surroundings=around))
    assert (found.term, len(found.differ), found.same_shapes) == ("not", 3, True)
    assert found.sentence == (
        "Not reproduced, in ACM's terms, version 1.1: three of four cells differ from the original by more than the "
        "margin of 3 %: one-bookings-t1 "
        "(faster), two-bookings-t1 (faster) and one-bookings-t2 (faster); one is equivalent. Its conclusion holds all "
        "the same: the same shape fits for every load. It may come of what is not the same: CPU (host) and "
        "kernel (host)."
    )


def test_a_cell_that_is_slower_and_perhaps_within_the_margin_contradicts_nothing() -> None:
    """The precision that is stated is the margin: 95.5 to 99.5 % of the original may lie within 3 % of it."""
    slower = change("two-bookings-t2", "slower").model_copy(update={"low": 0.955, "high": 0.995})
    found = stated(ALL_EQUAL.model_copy(update={"changes": (*ALL_EQUAL.changes[:3], slower)}), same=True)
    assert (found.term, found.differ, found.undecided) == ("open", (), ("two-bookings-t2",))
    assert found.sentence.startswith(
        "Whether it is repeated, in ACM's terms, version 1.1, is open: no cell is shown to differ by more than the "
        "margin of 3 %, three are equivalent, one is open."
    )


def test_another_shape_that_is_shown_to_fit_is_told_for_its_load() -> None:
    found = stated(ALL_EQUAL, judged(TWO_FOR_ALL))
    assert found.same_shapes is False
    assert found.shapes == (
        "One thread: shape two fits here and one in the original, as the intervals show.",
        "Two threads: shape two fits in both, as the intervals show.",
    )
    assert "for some loads another shape fits" in found.sentence
    assert "Nothing that is known of the surroundings explains it." in found.sentence


def test_a_verdict_on_the_figures_only_leaves_the_shapes_open() -> None:
    found = stated(ALL_EQUAL, judged(blocks=2, sd=0.1, seed=4))
    assert found.same_shapes is None
    assert "in the repetition that is not shown" in found.shapes[0]
    assert "Whether the same shapes fit is open." in found.sentence


@pytest.mark.parametrize(
    ("found", "undecided"),
    [
        (compared("equivalent", "undecided", "equivalent", "equivalent"), 1),
        (compared("equivalent", "equivalent", "equivalent", lacking=("two-bookings-t2",)), 1),
        (compared(lacking=("one-bookings-t1",)), 1),
        (compared(), 0),
    ],
    ids=["undecided", "not measured", "nothing measured", "nothing at all"],
)
def test_what_is_not_decided_for_every_cell_is_open(found: RunsCompared, undecided: int) -> None:
    told = stated(found, same=True)
    assert (told.term, len(told.undecided)) == ("open", undecided)
    assert "Repeated," not in told.sentence


def test_one_cell_that_differs_outweighs_what_is_open() -> None:
    found = stated(compared("slower", "undecided", "undecided", "undecided"), same=True)
    assert found.term == "not"
    told = "one of four cells differs from the original by more than the margin of 3 %: one-bookings-t1 (slower); three"
    assert f"{told} are open" in found.sentence


def test_a_plan_with_one_shape_concludes_nothing_about_shapes() -> None:
    alone = judged({("two", 2): 1900.0})
    found = repetition(compared("equivalent"), alone, alone, same_set_up=True)
    assert (found.term, found.shapes, found.same_shapes) == ("repeated", (), None)
    assert found.sentence.endswith("the only cell is equivalent to the original's within the margin of 3 %.")


@pytest.mark.parametrize(
    ("around", "same"),
    [
        ((), True),
        ((difference("seed of the order", "unlikely", "method"),), True),
        ((difference("guest_processes"),), True),  # others come and go
        ((difference("cpu_model"),), False),
        ((difference("all", "possible"),), False),  # no fingerprint was kept, so nobody knows
        ((difference("name of the guest", "possible", "method"),), False),
    ],
)
def test_the_set_up_is_the_same_where_nothing_that_may_matter_is_known_to_differ(
    around: tuple[Difference, ...], same: bool
) -> None:
    assert in_same_set_up(around) is same
