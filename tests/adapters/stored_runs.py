"""Runs for the tests of the store and of what shows it: ferry bookings, with nothing left out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.core.measure.results import Check, ClockOffset, Interval, TrialSummary, VcpuShare, Window
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.journal import Event, EventName
from orchestrator.core.record.run import Environment, PlannedTrial, RunRecord
from orchestrator.core.record.trial import StageTime, TrialRecord
from orchestrator.engine.ports import SavedGuest, TrialData

STARTED = "2026-08-01T10:11:12.345Z"
INPUTS = {"plan.yaml": b"title: ferry\r\n", "lab.yaml": b"hosts: {}\n# \xc3\xa9\n", "load/run.sh": b"#!/bin/sh\n"}
SAVED = SavedGuest({"guest.xml": b"<domain>\x00\xff</domain>\n"}, running=True)
FIRST = "0001-one-bookings-t1-b1"
SECOND = "0002-two-bookings-t2-b1"

PLAN: dict[str, Any] = {
    "title": "How many vCPUs does the bookings database need?",
    "guest": "bookings-1",
    "shapes": [
        {"name": "one", "vcpus": 1, "memory": 2**30},
        {"name": "two", "vcpus": 2, "memory": 2**30},
    ],
    "workloads": [{"name": "bookings", "use": "bookings", "threads": [1, 2], "reader": None}],
    "design": {"blocks": 1, "order": "random", "seed": 7},
    "measure": {
        "every": 1.0,
        "warm_up": {"at_least": 10.0, "at_most": 300.0},
        "steady": {"at_least": 60.0, "at_most": 600.0, "until_within": 0.02},
    },
    "decide": {"margin": 0.03, "confidence": 0.95},
}


def run_record(**changes: Any) -> RunRecord:
    """A run of two trials."""
    facts: dict[str, Any] = {
        "id": "",
        "title": PLAN["title"],
        "started_utc": STARTED,
        "guest": "bookings-1",
        "guest_kind": "process guest, not a VM",
        "hypervisor": "here",
        "order_rule": "trialbed-order-1",
        "seed": 7,
        "plan": PLAN,
        "trials": (
            PlannedTrial(id=FIRST, number=1, block=1, shape="one", workload="bookings", threads=1),
            PlannedTrial(id=SECOND, number=2, block=1, shape="two", workload="bookings", threads=2),
        ),
        "versions": {"trialbed": "0.1.0"},
        "inputs_sha256": {},
    }
    return RunRecord(**facts | changes)


def summary(vcpus: int = 1) -> TrialSummary:
    """A steady window with one doubt."""
    return TrialSummary(
        steady=True,
        reason="steady from 12 s on",
        window=Window(start_s=12.0, end_s=80.0),
        throughput=Interval(mean=2400.0, low=2376.0, high=2424.0, effective_samples=38.2),
        vcpus=tuple(VcpuShare(vcpu=n, run=0.98, wait=0.003, idle=0.017, uncertainty=0.002) for n in range(vcpus)),
        cpu_seconds_per_operation=4e-4,
        host_busy=0.5,
        guest_steal=None,
        checks=(
            Check(name="shape", state="ok", detail="1 CPU is online"),
            Check(name="other load", state="flag", detail="12 % of the host was busy with something else"),
            Check(name="frequency", state="unavailable", detail="the host does not tell it"),
        ),
    )


def trial_record(trial: str = FIRST, **changes: Any) -> TrialRecord:
    """A trial that was measured, unless changed."""
    planned = next(planned for planned in run_record().trials if planned.id == trial)
    facts: dict[str, Any] = planned.model_dump() | {
        "outcome": "measured",
        "reason": "steady from 12 s on",
        "started_utc": STARTED,
        "ended_utc": "2026-08-01T10:13:12.345Z",
        "launched_monotonic_s": 1000.0,
        "stages": (StageTime(stage="start", seconds=12.2, attempts=2),),
        "clocks": (
            ClockOffset(machine="guest", when="before", offset_s=-12.000123, uncertainty_s=1.2e-4, exchanges=20),
        ),
        "workload_sha256": {},
        "seen_inside": {"online": "0"},
        "summary": summary(planned.threads),
    }
    return TrialRecord(**facts | changes)


def failed_record(trial: str = SECOND, reason: str = "the guest did not answer within 2 min") -> TrialRecord:
    """A trial whose guest did not come up."""
    nothing: dict[str, Any] = {"launched_monotonic_s": None, "summary": None, "clocks": (), "seen_inside": {}}
    return trial_record(trial, outcome="failed", failed_stage="start", fault="guest", reason=reason, **nothing)


def trial_data(log: str = "a line\n") -> TrialData:
    """Ninety seconds; the host lost one counter on the way."""
    times = [1000.0 + t for t in range(90)]
    host = [Sample(t, 1e-4, int(t * 1e9), {"cpu.user_ticks": int(t), "load.1min": 0.5}) for t in times]
    host[5] = Sample(times[5], 1e-4, int(times[5] * 1e9), {"cpu.user_ticks": 1005})
    vcpu = [Sample(t, 2e-4, int(t * 1e9), {"vcpu.0.run_ns": int(t * 9.8e8), "vcpu.0.wait_ns": 0}) for t in times]
    return TrialData([{"time_s": t, "value": int(2400 * (t - 1000))} for t in times], host, host[:3], vcpu, log)


def event(name: EventName, trial: str | None = None, **detail: Any) -> Event:
    """A line of the journal."""
    return Event(time_utc=STARTED, event=name, trial=trial, detail=detail)


def whole_run(root: Path, **changes: Any) -> tuple[FolderStore, FolderWriter]:
    """A run that ended and was sealed, with everything a run can have."""
    store = FolderStore(root)
    writer = store.create(run_record(**changes), INPUTS)
    writer.append(event("run-started"))
    writer.keep_before("bookings-1", SAVED)
    writer.append(event("guest-saved"))
    writer.keep_environment(Environment(host={"cpu_model": "A CPU", "boost": None}, guest={"cpu_model": "A CPU"}))
    for record, data in ((trial_record(), trial_data()), (failed_record(), TrialData((), (), (), (), ""))):
        writer.append(event("trial-started", record.id))
        writer.keep_trial(record, data)
        writer.append(event("trial-ended", record.id))
    writer.append(event("restored"))
    writer.append(event("run-ended"))
    writer.seal()
    return store, writer


def interrupted_run(root: Path, **changes: Any) -> tuple[FolderStore, FolderWriter]:
    """A run whose first trial is over and whose journal ends there."""
    store = FolderStore(root)
    writer = store.create(run_record(**changes), INPUTS)
    writer.keep_before("bookings-1", SAVED)
    writer.append(event("guest-saved"))
    writer.append(event("trial-started", FIRST))
    writer.keep_trial(trial_record(), trial_data())
    writer.append(event("trial-ended", FIRST))
    return store, writer
