"""Waiting for a quiet host, on a model whose other load is known; tests/hypervisors/here has it with real loops."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.record.journal import Event
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.evidence import from_run
from orchestrator.engine.news import News, Notice, StageBegan, WaitingForQuiet
from orchestrator.errors import HostFault

ONE_TRIAL: dict[str, Any] = {
    "design": {"blocks": 1},
    "shapes": [{"name": "one", "vcpus": 1, "memory": "1 GiB"}],
    "workloads": [{"name": "bookings", "use": "bookings", "threads": [1]}],
}
#: A model host that does nothing else, so that only what a test declares disturbs it.
IDLE: dict[str, Any] = {"cpus": 4, "neighbours": 0, "gang": False}


def experiment(asked: dict[str, Any] | None, *, trials: dict[str, Any] | None = None, **host: Any) -> Experiment:
    return Experiment(plan(**(ONE_TRIAL | (trials or {})), quiet=asked), lab(**(IDLE | host)))


def check(record: TrialRecord) -> tuple[str, str]:
    assert record.summary is not None
    (found,) = (check for check in record.summary.checks if check.name == "quiet host")
    return found.state, found.detail


def waits(run: Experiment) -> list[Event]:
    return [event for event in run.store.kept["run-1"].journal if event.event == "waited-for-quiet"]


def seconds_in(record: TrialRecord, stage: str) -> float:
    (spent,) = (time.seconds for time in record.stages if time.stage == stage)
    return spent


def test_without_quiet_in_the_plan_nothing_is_looked_at() -> None:
    run = experiment(None, **{"other-load": [{"until": "1 d", "loops": 4}]})
    (record,) = run.go()
    assert record.outcome == "measured"
    assert "quiet" not in [time.stage for time in record.stages]
    assert record.summary is not None
    assert "quiet host" not in [check.name for check in record.summary.checks]


def test_a_host_that_is_quiet_costs_one_look_between_reshape_and_start() -> None:
    run = experiment({})
    (record,) = run.go()
    assert [time.stage for time in record.stages][:3] == ["reshape", "quiet", "start"]
    assert check(record) == ("ok", "quiet at once: 0 % of its CPU time used, CPU pressure 0 %")
    assert seconds_in(record, "quiet") == pytest.approx(3, abs=0.2)
    assert waits(run) == []


def test_a_host_that_becomes_quiet_is_waited_for() -> None:
    run = experiment({}, **{"other-load": [{"from": "5 s", "until": "2 min", "loops": 2}]})
    (record,) = run.go()
    state, detail = check(record)
    assert state == "ok"
    assert detail.startswith("quiet after 2 min")
    assert 110 < seconds_in(record, "quiet") < 135
    (waited,) = waits(run)
    assert waited.trial == record.id
    assert waited.detail["quiet"] is True
    assert waited.detail["busy"] == pytest.approx(0.0, abs=0.001)
    assert waited.detail["waited_s"] == pytest.approx(seconds_in(record, "quiet"), abs=0.2)
    told = [news for news in run.heard.news if isinstance(news, WaitingForQuiet)]
    # Two tasks on four CPUs: half of the host's CPU time.
    assert told[0].why == "50 % of its CPU time is used (to be below 5 %)"
    assert told[0].left_s == pytest.approx(594, abs=1)
    assert [news.looks for news in told] == list(range(1, len(told) + 1))


def test_a_host_that_stays_busy_is_measured_and_flagged() -> None:
    run = experiment({"wait": "1 min"}, **{"other-load": [{"until": "1 d", "loops": 1}]})
    (record,) = run.go()
    assert record.outcome == "measured"
    state, detail = check(record)
    assert state == "flag"
    assert detail == "not quiet after 1 min of waiting: 25 % of its CPU time is used (to be below 5 %)"
    assert 60 <= seconds_in(record, "quiet") <= 64
    (waited,) = waits(run)
    assert (waited.detail["quiet"], waited.detail["busy"]) == (False, pytest.approx(0.25, abs=0.01))
    (remark,) = (r for r in from_run(run.store.kept["run-1"].record, [record]).remarks if "quiet host" in r)
    assert remark.startswith(f"Look at trial {record.id} before believing: quiet host is flagged: not quiet after")


def test_a_host_that_stays_busy_costs_the_trial_where_the_plan_says_skip() -> None:
    run = experiment(
        {"wait": "0 s", "then": "skip"},
        trials={"design": {"blocks": 2}},
        **{"other-load": [{"until": "8 s", "loops": 4}]},
    )
    skipped, measured = run.go()
    assert (skipped.outcome, skipped.failed_stage, skipped.fault) == ("failed", "quiet", "host")
    assert skipped.reason.startswith("the host was not quiet, and the plan skips the trial then: 9")
    assert skipped.reason.endswith(" % of its CPU time is used (to be below 5 %)")
    assert [time.stage for time in skipped.stages] == ["reshape", "quiet", "stop"]
    assert measured.outcome == "measured"
    assert check(measured)[0] == "ok"
    assert run.hypervisor.describe().running


@pytest.mark.parametrize(
    ("asked", "other", "why"),
    [
        ({"cooler-than": "70 C"}, {"temperature": "85 C"}, "it is 85 °C warm (to be below 70 °C)"),
        ({}, {"throttled": True}, "4 CPUs are throttled for heat"),
        ({"pressure-below": "10 %"}, {"loops": 5}, "some task waits for a CPU 100 % of the time (to be below 10 %)"),
    ],
)
def test_heat_throttling_and_pressure_are_waited_for_as_well(
    asked: dict[str, Any], other: dict[str, Any], why: str
) -> None:
    load = {"until": "40 s", "loops": 0} | other
    run = experiment(asked | {"busy-below": "100 %"}, temperature="40 C", **{"other-load": [load]})
    (record,) = run.go()
    assert check(record)[0] == "ok"
    assert 30 < seconds_in(record, "quiet") < 55
    told = [news.why for news in run.heard.news if isinstance(news, WaitingForQuiet)]
    assert why in told[0].split("; ")


def test_a_host_that_cannot_be_asked_costs_nothing_and_is_told_once(mocker: Any) -> None:
    run = experiment({"then": "skip"}, trials={"design": {"blocks": 3}})
    mocker.patch.object(run.hypervisor, "host_access", return_value=None)
    records = run.go()
    assert [record.outcome for record in records] == ["measured"] * 3
    assert {check(record) for record in records} == {("unavailable", "the host does not tell how busy it is")}
    notices = [news.text for news in run.heard.news if isinstance(news, Notice)]
    assert [text for text in notices if "quiet" in text] == [
        "whether the host is quiet is not known: the host does not tell how busy it is; trials go on"
    ]


def test_a_host_without_a_thermometer_is_said_to_have_none() -> None:
    (record,) = experiment({"cooler-than": "70 C"}).go()
    told = "the host does not tell its temperature; else 0 % of its CPU time used, CPU pressure 0 %"
    assert check(record) == ("unavailable", told)


def test_a_host_whose_counters_are_lost_while_it_is_waited_for_is_waited_for_no_longer(mocker: Any) -> None:
    run = experiment({}, **{"other-load": [{"until": "1 d", "loops": 4}]})
    samplers, opened = run.bench.samplers, []

    def sample_for_a_while(shell: Any, **how: Any) -> Any:
        made = samplers.open(shell, **how)
        if how["machine"] == "host":
            opened.append(made)
            real = made.sample
            mocker.patch.object(made, "sample", side_effect=[*(real() for _ in range(4)), HostFault("cut")])
        return made

    run.bench = replace(run.bench, samplers=mocker.Mock(open=sample_for_a_while))
    (record,) = run.go()
    assert record.outcome == "measured"
    assert check(record)[0] == "unavailable"
    assert seconds_in(record, "quiet") < 30


def test_whoever_asks_the_run_to_stop_does_not_wait_for_a_quiet_host_first() -> None:
    def asks(news: News) -> bool:
        return isinstance(news, WaitingForQuiet)

    run = experiment({"wait": "10 h"}, **{"other-load": [{"until": "1 d", "loops": 4}]})
    run.heard.stop_on = asks
    with pytest.raises(KeyboardInterrupt):
        run.go()
    assert run.clock.monotonic() < 60
    kept = run.store.kept["run-1"]
    assert kept.trials == {}  # it was not begun to be measured, so a resumed run does it anew
    assert run.hypervisor.describe().running


def test_each_trial_is_waited_for_by_itself() -> None:
    """Other load that comes and goes twice meets two of three trials."""
    spells = [{"from": "2 min", "until": "5 min", "loops": 4}]
    run = experiment({}, trials={"design": {"blocks": 3}}, **{"other-load": spells})
    records = run.go()
    began = [news.stage for news in run.heard.news if isinstance(news, StageBegan)]
    assert began.count("quiet") == 3
    assert [check(record)[0] for record in records] == ["ok"] * 3
    assert len(waits(run)) == 1
