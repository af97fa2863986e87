"""A guest whose clock runs fast is measured like any other, whatever its workload prints."""

from __future__ import annotations

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.showing import rates

READERS = {
    "rate without a time": ("<rate> a second", {"pattern": r"(?P<value>[0-9.]+) a second"}),
    "rate with a time": (
        "<monotonic_s> s: <rate> a second",
        {"pattern": r"(?P<time>[0-9.]+) s: (?P<value>[0-9.]+) a second"},
    ),
    "count without a time": ("<operations> done", {"pattern": r"(?P<value>[0-9]+) done", "figure": "count"}),
    "count with a time": (
        "<monotonic_s> s: <operations> done",
        {"pattern": r"(?P<time>[0-9.]+) s: (?P<value>[0-9]+) done", "figure": "count"},
    ),
}


def trial(line: str, reader: dict[str, str], fast: str) -> tuple[TrialRecord, Experiment]:
    workload = {"name": "bookings", "command": ["serve", "--threads", "{threads}"], "threads": [1], "reader": reader}
    experiment = Experiment(
        plan(workloads=[workload], shapes=[{"name": "one", "vcpus": 1, "memory": "1 GiB"}], design={"blocks": 1}),
        lab(guest_clock={"fast": fast}, line=line),
    )
    return experiment.go()[0], experiment


@pytest.mark.parametrize("kind", READERS)
def test_a_clock_that_gains_two_percent_changes_no_throughput(kind: str) -> None:
    line, reader = READERS[kind]
    right, _ = trial(line, reader, "0 %")
    fast, _ = trial(line, reader, "2 %")
    for record in (right, fast):
        assert record.summary is not None, record.reason
        assert record.summary.throughput is not None
    assert right.summary is not None
    assert right.summary.throughput is not None
    assert fast.summary is not None
    assert fast.summary.throughput is not None
    assert fast.summary.throughput.mean == pytest.approx(right.summary.throughput.mean, rel=2e-3)
    (check,) = [check for check in fast.summary.checks if check.name == "clock rate"]
    assert check.state == "flag"
    # Only a count that arrives without a time owes nothing to the guest's clock.
    assert ("per second of the controller's" in check.detail) is (kind != "count without a time")


def test_what_is_shown_later_is_what_was_judged() -> None:
    """The stored readings of a rate are per second of the guest's clock; its rate stands in the trial's record."""
    line, reader = READERS["rate without a time"]
    record, experiment = trial(line, reader, "2 %")
    run, data = experiment.store.find("run-1"), experiment.store.kept["run-1"].data[record.id]
    assert record.summary is not None
    assert record.summary.throughput is not None
    assert record.summary.window is not None
    series = rates(run, record, data.throughput)
    within = [
        rate
        for end_s, rate in zip(series.time_s, series.rate, strict=True)
        if record.summary.window.start_s < end_s <= record.summary.window.end_s + 1e-6
    ]
    # Without the clock's rate they would be 2 % apart; the trial's mean is not the plain one of its readings.
    assert sum(within) / len(within) == pytest.approx(record.summary.throughput.mean, rel=3e-3)
