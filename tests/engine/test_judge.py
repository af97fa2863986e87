"""The verdict on what is stored: by the plan's rule, or by another to see what it would change."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import pytest

from orchestrator.core.measure.results import Interval, TrialSummary
from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.engine.judge import judge_readings, judge_run
from orchestrator.engine.ports import TrialData
from orchestrator.errors import StoreError
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
    judged = judge_run(store, "last", per="minute")
    assert judged.run.record.title == "Ferry bookings"
    assert (judged.verdict.margin, judged.verdict.confidence, judged.verdict.per) == (0.05, 0.9, "minute")
    assert [(r.shape, r.basis) for r in judged.verdict.recommendations] == [("one", "shown")]
    assert [c.trials for c in judged.verdict.cells] == [5, 5]


def test_another_margin_changes_the_answer_and_not_the_run(store: MemoryStore) -> None:
    assert judge_run(store, "2026", margin=0.02).verdict.recommendations[0].shape == "two"
    assert judge_run(store, "2026").verdict.recommendations[0].shape == "one"


def test_another_confidence_changes_the_intervals(store: MemoryStore) -> None:
    loose, strict = (judge_run(store, "last", confidence=c).verdict.comparisons[0] for c in (0.8, 0.99))
    assert (loose.low or 0) > (strict.low or 1)


def test_an_unknown_run_is_the_stores_to_refuse(store: MemoryStore) -> None:
    with pytest.raises(StoreError):
        judge_run(store, "2031")


def test_readings_without_a_rule_get_the_usual_one() -> None:
    found = judge_readings(Evidence(()))
    assert (found.margin, found.confidence) == (0.03, 0.95)
