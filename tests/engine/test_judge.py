"""The verdict on what is stored: by the plan's rule, or by another to see what it would change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import pytest

from orchestrator.core.measure.results import Interval, TrialSummary
from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.rule import rule_of
from orchestrator.core.verdict.verdict import verdict
from orchestrator.engine.judge import evidence_of, verdict_of
from orchestrator.engine.ports import TrialData
from orchestrator.testing.memory_store import MemoryStore

RATES = {"one": 96.0, "two": 100.0}
SCATTER = (0.999, 1.002, 1.0, 0.998, 1.001)


def trials() -> Iterator[TrialRecord]:
    for number, (block, shape) in enumerate(product(range(1, 6), RATES), start=1):
        mean = RATES[shape] * SCATTER[(block * 2 + len(shape) + number) % 5]
        yield TrialRecord(
            id=f"{number:04d}-{shape}-bookings-t1-b{block}",
            number=number,
            block=block,
            shape=shape,
            workload="bookings",
            threads=1,
            outcome="measured",
            reason="precise enough",
            started_utc="2026-01-01T00:00:00Z",
            ended_utc="2026-01-01T00:02:00Z",
            launched_monotonic_s=0.0,
            stages=(),
            clocks=(),
            workload_sha256={},
            seen_inside={},
            summary=TrialSummary(
                steady=True,
                reason="no drift",
                window=None,
                throughput=Interval(mean=mean, low=None, high=None),
                vcpus=(),
                cpu_seconds_per_operation=None,
                host_busy=None,
                guest_steal=None,
                checks=(),
            ),
        )


@pytest.fixture
def store() -> MemoryStore:
    """One finished run of two shapes, the smaller 4 % behind, under a plan with a margin of 5 %."""
    shapes = [{"name": name, "vcpus": vcpus, "memory": 2**30} for vcpus, name in enumerate(RATES, start=1)]
    record = RunRecord(
        id="20260101T000000Z-ferry-0a1b",
        title="Ferry bookings",
        started_utc="2026-01-01T00:00:00Z",
        guest="bookings-1",
        guest_kind="simulated guest",
        hypervisor="simulated",
        order_rule="trialbed-order-1",
        seed=7,
        plan={"shapes": shapes, "decide": {"margin": 0.05, "confidence": 0.9}},
        trials=(),
        versions={},
        inputs_sha256={},
    )
    kept = MemoryStore()
    writer = kept.create(record, {})
    for trial in trials():
        writer.keep_trial(trial, TrialData((), (), (), (), ""))
    return kept


def test_the_plans_rule_decides(store: MemoryStore) -> None:
    judged = verdict_of(store.find("last"), per="minute")
    assert (judged.margin, judged.confidence, judged.per) == (0.05, 0.9, "minute")
    assert [(r.shape, r.basis) for r in judged.recommendations] == [("one", "shown")]
    assert [c.trials for c in judged.cells] == [5, 5]


def test_another_margin_changes_the_answer_and_not_the_run(store: MemoryStore) -> None:
    run = store.find("2026")
    narrower = replace(rule_of(run.record), margin=0.02)
    assert verdict(evidence_of(run), narrower).recommendations[0].shape == "two"
    assert verdict_of(run).recommendations[0].shape == "one"


def test_another_confidence_changes_the_intervals(store: MemoryStore) -> None:
    run = store.find("last")
    rules = (replace(rule_of(run.record), confidence=confidence) for confidence in (0.8, 0.99))
    loose, strict = (verdict(evidence_of(run), rule).comparisons[0] for rule in rules)
    assert (loose.low or 0) > (strict.low or 1)


def test_readings_without_a_rule_get_the_usual_one() -> None:
    found = verdict(Evidence(()))
    assert (found.margin, found.confidence) == (0.03, 0.95)
