"""A run's trials as evidence: what counts, and that nothing is dropped in silence."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.core.measure.results import Check, Interval, TrialSummary, VcpuShare, Window
from orchestrator.core.record.run import PlannedTrial, RunRecord
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.cells import Shares
from orchestrator.core.verdict.evidence import from_run
from orchestrator.core.verdict.rule import rule_of
from orchestrator.core.verdict.verdict import verdict

SIZES = {"one": 1, "two": 2}


def summary(mean: float, *, vcpus: tuple[VcpuShare, ...] = (), checks: tuple[Check, ...] = ()) -> TrialSummary:
    return TrialSummary(
        steady=True,
        reason="no drift",
        window=Window(start_s=10, end_s=70),
        throughput=Interval(mean=mean, low=mean * 0.99, high=mean * 1.01, effective_samples=50),
        vcpus=vcpus,
        cpu_seconds_per_operation=0.0004,
        host_busy=0.5,
        guest_steal=None,
        checks=checks,
    )


def trial(number: int, shape: str, block: int, mean: float | None, **facts: Any) -> TrialRecord:
    known: dict[str, Any] = {
        "id": f"{number:04d}-{shape}-bookings-t1-b{block}",
        "number": number,
        "block": block,
        "shape": shape,
        "workload": "bookings",
        "threads": 1,
        "outcome": "measured",
        "reason": "steady and precise enough",
        "started_utc": "2026-01-01T00:00:00Z",
        "ended_utc": "2026-01-01T00:02:00Z",
        "launched_monotonic_s": 5.0,
        "stages": (),
        "clocks": (),
        "workload_sha256": {},
        "seen_inside": {},
        "summary": None if mean is None else summary(mean),
    }
    return TrialRecord(**(known | facts))


def run(trials: list[TrialRecord], planned: int | None = None) -> RunRecord:
    lines = [
        PlannedTrial(id=t.id, number=t.number, block=t.block, shape=t.shape, workload=t.workload, threads=t.threads)
        for t in trials
    ]
    lines += [
        PlannedTrial(id=f"{n:04d}-two-bookings-t1-b9", number=n, block=9, shape="two", workload="bookings", threads=1)
        for n in range(len(trials) + 1, (planned or 0) + 1)
    ]
    return RunRecord(
        id="20260101T000000Z-ferry-bookings-0a1b",
        title="How many vCPUs does the bookings database need?",
        started_utc="2026-01-01T00:00:00Z",
        guest="bookings-1",
        guest_kind="simulated guest",
        hypervisor="simulated",
        order_rule="trialbed-order-1",
        seed=7,
        plan={
            "shapes": [{"name": n, "vcpus": v, "memory": 2**30} for n, v in SIZES.items()],
            "decide": {"margin": 0.05, "confidence": 0.9},
        },
        trials=tuple(lines),
        versions={},
        inputs_sha256={},
    )


def test_every_measured_trial_is_one_observation() -> None:
    trials = [trial(1, "two", 1, 41.0), trial(2, "one", 1, 40.0), trial(3, "one", 2, 42.0)]
    found = from_run(run(trials), trials)
    assert [(o.shape, o.vcpus, o.memory, o.block, o.throughput_per_s) for o in found.observations] == [
        ("two", 2, 2**30, 1, 41.0),
        ("one", 1, 2**30, 1, 40.0),
        ("one", 1, 2**30, 2, 42.0),
    ]
    assert found.remarks == ()
    assert found.observations[0].cpu_seconds_per_operation == 0.0004


def test_shares_are_averaged_over_vcpus_and_kept_for_each() -> None:
    vcpus = (
        VcpuShare(vcpu=1, run=0.0, wait=0.0, idle=1.0, uncertainty=0.01),
        VcpuShare(vcpu=0, run=0.8, wait=0.1, idle=0.1, uncertainty=0.01),
    )
    trials = [trial(1, "two", 1, None, summary=summary(40, vcpus=vcpus))]
    (seen,) = from_run(run(trials), trials).observations
    assert (seen.shares.run, seen.shares.wait, seen.shares.idle) == pytest.approx((0.4, 0.05, 0.55))
    assert seen.per_vcpu[0] == Shares(run=0.8, wait=0.1, idle=0.1)
    assert seen.shares.total == pytest.approx(1)


def test_a_counter_that_one_vcpu_lacks_is_unavailable_for_the_guest() -> None:
    vcpus = (
        VcpuShare(vcpu=0, run=0.8, wait=0.1, idle=0.1, uncertainty=0.01),
        VcpuShare(vcpu=1, run=0.2, wait=None, idle=None, uncertainty=0.01),
    )
    trials = [trial(1, "two", 1, None, summary=summary(40, vcpus=vcpus))]
    (seen,) = from_run(run(trials), trials).observations
    assert (seen.shares.run, seen.shares.wait, seen.shares.idle) == (0.5, None, None)


def test_unsteady_and_failed_trials_are_remarked_with_their_reasons() -> None:
    trials = [
        trial(1, "one", 1, 40.0),
        trial(2, "one", 2, 39.0, outcome="unsteady", reason="not steady: throughput drifts by 8 %."),
        trial(3, "one", 3, None, outcome="failed", failed_stage="start", fault="guest", reason="no answer in 60 s"),
        trial(4, "two", 1, 41.0),
    ]
    found = from_run(run(trials), trials)
    assert [o.block for o in found.observations if o.shape == "one"] == [1]
    assert found.remarks == (
        "Two of three trials of shape one with one thread of bookings do not count: "
        "block 2 never became steady (throughput drifts by 8 %); block 3 failed at stage start (no answer in 60 s).",
    )
    assert found.remarks[0] in verdict(found).remarks


def test_a_steady_trial_without_operations_is_no_observation() -> None:
    trials = [trial(1, "one", 1, 0.0)]
    found = from_run(run(trials), trials)
    assert found.observations == ()
    assert (
        "The only trial of shape one with one thread of bookings does not count: block 1 was measured without"
        in found.remarks[0]
    )


def test_many_failures_are_told_in_short() -> None:
    trials = [trial(n, "one", n, None, outcome="failed", reason="x") for n in range(1, 6)]
    (remark,) = from_run(run(trials), trials).remarks
    assert remark.endswith("; and two more.")


def test_trials_that_were_not_run_are_counted() -> None:
    trials = [trial(1, "one", 1, 40.0)]
    assert from_run(run(trials, planned=4), trials).remarks == ("Three of four planned trials were not run.",)


def test_flagged_checks_ask_for_a_look() -> None:
    flag = Check(name="host load", state="flag", detail="host 97 % busy")
    fine = Check(name="shape", state="ok", detail="2 vCPUs")
    trials = [trial(n, "one", n, None, summary=summary(40, checks=(flag, fine))) for n in (1, 2)]
    (remark,) = from_run(run(trials), trials).remarks
    assert remark.startswith(
        "Look at two trials (0001-one-bookings-t1-b1 and 0002-one-bookings-t1-b2) before believing"
    )
    assert "host load is flagged: host 97 % busy." in remark


def test_of_flagged_trials_that_differ_the_first_is_quoted_as_the_first() -> None:
    trials = [
        trial(n, "one", n, None, summary=summary(40, checks=(Check(name="load", state="flag", detail=f"{n} busy"),)))
        for n in (1, 2, 3, 4)
    ]
    (remark,) = from_run(run(trials), trials).remarks
    assert "0002-one-bookings-t1-b2, 0003-one-bookings-t1-b3 and others) before believing" in remark
    assert remark.endswith(": load is flagged; in the first of them: 1 busy.")


def test_the_order_of_trials_changes_nothing() -> None:
    trials = [
        trial(n, shape, b, 40.0 + n) for n, (shape, b) in enumerate([("one", 1), ("two", 1), ("two", 2), ("one", 2)], 1)
    ]
    assert verdict(from_run(run(trials), trials)) == verdict(from_run(run(trials), trials[::-1]))


def test_a_shape_whose_trials_all_failed_is_missed() -> None:
    trials = [trial(1, "one", 1, 40.0), trial(2, "two", 1, None, outcome="failed", reason="host full")]
    assert "Shape two: one thread on two vCPUs was not measured." in verdict(from_run(run(trials), trials)).remarks


def test_the_rule_is_the_plans() -> None:
    rule = rule_of(run([]), "minute")
    assert (rule.margin, rule.confidence, rule.per) == (0.05, 0.9, "minute")


def test_a_cell_that_was_tried_is_accounted_for_once_and_not_called_unmeasured() -> None:
    trials = [trial(1, "two", 1, 41.0), trial(2, "one", 1, None, outcome="unsteady", reason="drifts")]
    remarks = " ".join(verdict(from_run(run(trials), trials), rule_of(run(trials))).remarks)
    assert "not measured" not in remarks
    assert "drifts" in remarks
    alone = [trials[0]]
    remarks = " ".join(verdict(from_run(run(trials), alone), rule_of(run(trials))).remarks)
    assert "one thread on 1 vCPU" in remarks.replace("one vCPU", "1 vCPU"), remarks
