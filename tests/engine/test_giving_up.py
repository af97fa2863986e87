"""A run that stops using a guest on which one trial after the other fails, and says so."""

from __future__ import annotations

from typing import Any

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.record.journal import progress
from orchestrator.engine.news import RunEnded
from orchestrator.engine.run_plan import Outcome, Run

FROZEN = {"kind": "falls-silent", "at": "5 s"}
NEVER_BOOTS = {"kind": "does-not-boot"}


def outcome(experiment: Experiment) -> Outcome:
    return Run(experiment.plan, experiment.lab, experiment.bench, experiment.writer()).go()


def experiment(*faults: dict[str, Any], **changed: Any) -> Experiment:
    return Experiment(plan(**changed), lab(faults=list(faults)))


@pytest.mark.parametrize("fault", [FROZEN, NEVER_BOOTS])
def test_a_guest_that_freezes_or_never_boots_is_given_up_after_five_trials(fault: dict[str, Any]) -> None:
    night = experiment(fault | {"every": 1})
    before = night.hypervisor.save()
    ended = outcome(night)
    assert (ended.state, ended.ended, ended.failed) == ("given up", 5, 5)
    assert ended.why == "5 trials in a row failed on guest 'bookings-1'"
    assert night.hypervisor.save() == before, "it is put back all the same"
    journal = night.store.kept["run-1"].journal
    where = progress(journal)
    assert (where.state, where.why, where.guest_is_back) == ("given up", ended.why, True)
    [event] = [event for event in journal if event.event == "guest-given-up"]
    assert event.detail["guest"] == "bookings-1"
    told = night.heard.news[-1]
    assert isinstance(told, RunEnded)
    assert (told.state, told.why) == ("given up", ended.why)


def test_the_plan_says_after_how_many() -> None:
    assert outcome(experiment(NEVER_BOOTS | {"every": 1}, **{"give-up-after": 2})).ended == 2
    whole = outcome(experiment(NEVER_BOOTS | {"every": 1}, **{"give-up-after": 1000}))
    assert (whole.state, whole.ended, whole.failed) == ("done", 12, 12)


def test_a_trial_that_succeeds_begins_the_count_anew() -> None:
    night = outcome(experiment(NEVER_BOOTS | {"every": 2}, **{"give-up-after": 2}))
    assert (night.state, night.ended, night.failed) == ("done", 12, 6)


def test_a_run_that_gave_up_can_be_resumed_once_the_guest_is_mended() -> None:
    first = experiment(NEVER_BOOTS | {"every": 1}, **{"give-up-after": 2})
    outcome(first)
    stored, writer, _ = first.store.reopen("run-1")
    mended = Experiment(first.plan, lab(), store=first.store)
    ended = Run(mended.plan, mended.lab, mended.bench, writer, stored.trials).go()
    assert (ended.state, ended.ended, ended.failed) == ("done", 10, 0)
