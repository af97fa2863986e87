"""Sentences where shapes are equal in size or in figures, or where too little was measured to compare them."""

from __future__ import annotations

from dataclasses import replace

from verdict_cases import blocks, evidence, observe

from orchestrator.core.verdict.verdict import Verdict, verdict


def text(found: Verdict) -> str:
    reasons = [sentence for r in found.recommendations for sentence in (*r.reasons, *r.would_change)]
    return " ".join([*reasons, *(f.sentence for f in found.fits), *found.remarks])


def test_a_shape_of_the_same_size_is_not_called_smaller() -> None:
    slow = blocks({("two", 2): 100.0}, k=3, sd=0.002)
    fast = [replace(o, shape="two-pinned", throughput_per_s=o.throughput_per_s * 1.2) for o in slow]
    said = text(verdict(evidence([*slow, *fast])))
    assert "is of the same size, but gives 16.7 % less than shape two-pinned" in said
    assert "smaller" not in said


def test_a_tie_is_called_one() -> None:
    said = text(verdict(evidence([observe(shape, 1, 50.0, block) for shape in ("one", "two") for block in (1, 2, 3)])))
    assert "Shape one (1 vCPU) gives as much as any with one thread" in said
    assert "gives the same to within a twentieth of a percent as shape one" in said


def test_no_margin_of_nothing_is_named() -> None:
    said = text(verdict(evidence(blocks({("one", 1): 100.0, ("two", 1): 100.01}, k=4, sd=0.0))))
    assert "the same to within a twentieth of a percent as the best, shape two" in said
    assert "A margin below" not in said


def test_of_one_shape_alone_nothing_is_said_to_fit() -> None:
    said = text(verdict(evidence(blocks({("two", 1): 100.0, ("two", 2): 150.0}, k=3, sd=0.002))))
    assert "is the only one measured, so how size and threads fit each other is not known" in said
    assert "fits every" not in said


def test_shapes_without_a_common_block_are_not_called_single_readings() -> None:
    seen = [
        observe(shape, 1, rate, block)
        for shape, rate, measured in (("one", 100, (1, 2)), ("two", 130, (1, 2, 3)), ("four", 131, (3, 4)))
        for block in measured
    ]
    said = text(verdict(evidence(seen)))
    assert "the trials share too few blocks for an interval between all shapes" in said
    assert "(none at the least)" in said
    assert "carry no uncertainty" not in said


def test_a_cell_read_once_is_compared_by_the_scatter_of_the_others() -> None:
    seen = blocks({("one", 1): 100, ("two", 1): 130, ("four", 1): 131}, k=4, sd=0.005)
    found = verdict(evidence([o for o in seen if o.shape != "one" or o.block == 2]))
    against_one = [c for c in found.comparisons if c.base_shape == "one"]
    assert [c.verdict for c in against_one] == ["faster", "faster"]
    assert {c.readings for c in against_one} == {1}
    assert "comparisons with it take their scatter from cells that were repeated" in text(found)
