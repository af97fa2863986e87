"""Where a run stands, from every state that its journal can be in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from simulated_run import Experiment, Heard, lab, plan, record_of

from orchestrator.core.record.alive import Alive
from orchestrator.core.record.journal import NOT_BACK, Event, progress
from orchestrator.core.record.run import RunRecord
from orchestrator.engine.news import TrialEnded
from orchestrator.engine.status import Glance, Journal, Status, status_of
from orchestrator.units import utc_text

#: As short as can be: what is measured is no matter here.
SHORT = {"warm-up": {"at-least": "5 s", "at-most": "10 s"}, "steady": {"at-least": "10 s", "at-most": "10 s"}}
PLAN = plan(design={"blocks": 2}, measure=SHORT)
BEGAN_S = 1_790_000_000.0


def journal_of(experiment: Experiment) -> list[Event]:
    experiment.go()
    return list(experiment.store.kept["run-1"].journal)


@pytest.fixture(scope="module")
def whole() -> list[Event]:
    """The journal of a run that was done, with a trial that failed."""
    return journal_of(Experiment(PLAN, lab(faults=[{"kind": "does-not-boot", "trial": 3}])))


def glance(events: Sequence[Event], state: str | None = None, record: RunRecord | None = None, **alive: Any) -> Glance:
    """A look at a run with this journal; ``alive`` are fields of its sign of life."""
    sign = Alive(**({"time_utc": utc_text(BEGAN_S), "pid": 1, "machine": "m"} | alive)) if alive else None
    found = progress(events).state
    known = state or ("running" if found == "running or crashed" else found)
    heard = utc_text(BEGAN_S) if known in {"running", "crashed"} else ""
    return Glance(record or record_of(PLAN), "results/run-1", known, heard, sign, events, BEGAN_S + 5)


class Told:
    """A journal made by hand, whose times are known."""

    def __init__(self, record: RunRecord) -> None:
        self.record, self.events, self.now_s = record, [], BEGAN_S  # type: RunRecord, list[Event], float

    def event(self, name: Any, after_s: float = 0.0, trial: str | None = None, **detail: Any) -> Told:
        self.now_s += after_s
        self.events.append(Event(time_utc=utc_text(self.now_s), event=name, trial=trial, detail=detail))
        return self

    def trial(self, number: int, took_s: float, outcome: str = "measured", reason: str = "") -> Told:
        name = self.record.trials[number - 1].id
        self.event("trial-started", trial=name)
        return self.event("trial-ended", took_s, name, outcome=outcome, reason=reason)

    def status(self, state: str = "running") -> Status:
        return status_of(glance(self.events, state, self.record))


def began(**changed: Any) -> Told:
    return Told(record_of(plan(**changed))).event("run-started", outstanding=4, least_s=160.0, most_s=1440.0)


# -------------------------------------------------------------------------------------------------------- whole runs


def test_every_beginning_of_a_journal_has_a_status_that_counts_what_ended(whole: list[Event]) -> None:
    events = whole
    before = 0
    for length in range(len(events) + 1):
        for state in ("running", "crashed"):
            status = status_of(glance(events[:length], state if length < len(events) else "done"))
            ended = len({event.trial for event in events[:length] if event.event == "trial-ended"})
            assert (status.ended, status.planned) == (ended, 8)
            assert sum(status.outcomes.values()) == ended
            assert before <= status.ended
            assert status.whole_blocks == ended // 4
        before = status.ended
    ends = [event for event in events if event.event == "trial-ended" and event.detail["outcome"] != "measured"]
    assert status.reasons == tuple((e.trial, e.detail["outcome"], e.detail["reason"]) for e in ends[-3:])
    assert status.outcomes["failed"] == 1
    assert (status.state, status.next_step) == ("done", "trialbed show run-1")
    assert status.guest_back
    assert status.left is None


def test_looks_at_a_journal_that_grows_find_what_a_look_at_the_whole_finds(whole: list[Event]) -> None:
    journal = Journal()
    for length in (0, 1, 5, 5, 40, 41, len(whole), 7, len(whole)):
        again = glance(whole[:length], "crashed")
        assert status_of(again, journal=journal) == status_of(again)


def test_the_trial_in_hand_has_its_stage_and_what_the_sign_of_life_adds(whole: list[Event]) -> None:
    events = whole
    at = next(n for n, e in enumerate(events) if e.event == "stage-started" and e.detail["stage"] == "measure")
    plain = status_of(glance(events[: at + 1])).trial
    assert plain is not None
    assert (plain.number, plain.stage, plain.for_s, plain.rate_per_s) == (1, "measure", None, None)
    since = utc_text(BEGAN_S - 41)
    trial = status_of(
        glance(
            events[: at + 1],
            trial=plain.id,
            stage="measure",
            stage_since_utc=since,
            rate_per_s=2400.0,
            recent=((1200.0, False), (2400.0, True)),
            said="steady",
        )
    ).trial
    assert trial is not None
    # 41 s when it was last heard of, which was 5 s ago.
    assert (trial.for_s, trial.rate_per_s, trial.said) == (pytest.approx(46), 2400.0, "steady")
    assert trial.recent == ((1200.0, False), (2400.0, True))


def test_a_sign_of_life_about_another_trial_is_not_believed(whole: list[Event]) -> None:
    events = whole
    at = next(n for n, e in enumerate(events) if e.event == "trial-started")
    trial = status_of(glance(events[: at + 1], trial="0008-other", rate_per_s=1.0)).trial
    assert trial is not None
    assert trial.rate_per_s is None


def test_a_run_that_was_stopped_can_be_resumed_and_its_guest_is_back() -> None:
    heard = Heard(stop_on=lambda news: isinstance(news, TrialEnded))
    status = status_of(glance(journal_of(Experiment(PLAN, lab(), heard=heard))))
    assert (status.state, status.ended, status.guest_back) == ("interrupted", 1, True)
    assert status.next_step == "trialbed resume run-1"
    assert status.over


def test_a_run_that_gave_up_says_why() -> None:
    record = plan(**{"give-up-after": 2})
    experiment = Experiment(record, lab(faults=[{"kind": "does-not-boot", "every": 1}]))
    status = status_of(glance(journal_of(experiment), record=record_of(record)))
    assert status.state == "given up"
    assert "2 trials in a row failed" in status.why.lower()
    assert (status.outcomes["failed"], len(status.reasons)) == (2, 2)


def test_a_decision_leaves_out_what_is_not_needed() -> None:
    told = began(design={"blocks": {"at-least": 2, "at-most": 8, "until": "decided"}})
    for number in range(1, 9):
        told.trial(number, 10.0)
    told.event("blocks-judged", blocks=2, at_most=8, enough=True, decided=True, why="Every load is decided.")
    status = told.event("run-ended").status("done")
    assert status.look is not None
    assert status.look.told == "decided after 2 of at most 8 blocks. Every load is decided."
    assert (status.ended, status.planned, status.whole_blocks, status.blocks) == (8, 8, 2, 2)


# ----------------------------------------------------------------------------------------------------- time and guests


def test_before_a_trial_has_ended_the_plan_tells_what_is_left() -> None:
    assert began(design={"blocks": 1}).status().left == (160.0, 1440.0)


def test_then_the_trials_seen_tell_each_by_its_cell() -> None:
    told = began(design={"blocks": 2, "order": "as-written"})
    for number, took_s in enumerate((10.0, 20.0, 30.0, 40.0, 14.0), start=1):
        told.trial(number, took_s)
    status = told.status()
    # Left are trials 6 to 8: of the cells that took 20, 30 and 40 s.
    assert status.left == (90.0, 90.0)
    assert status.spent_s == pytest.approx(114.0)
    told.trial(6, 26.0)
    assert told.status().left == (70.0, 70.0)


def test_a_cell_that_was_not_seen_is_taken_to_be_like_any_other() -> None:
    told = began(design={"blocks": 1}).trial(1, 10.0).trial(2, 50.0)
    assert told.status().left == (20.0, 100.0)


def test_until_decided_only_the_blocks_that_are_run_in_any_case_count_as_least() -> None:
    told = began(design={"blocks": {"at-least": 2, "at-most": 5, "until": "decided"}}).trial(1, 10.0)
    assert told.status().left == (7 * 10.0, 19 * 10.0)


def test_a_clock_that_was_set_does_not_spoil_what_trials_take() -> None:
    told = began(design={"blocks": 1}).trial(1, 10.0)
    name = told.record.trials[1].id
    told.event("trial-started", trial=name).event("clock-stepped", 3600.0, by_s=3600.0)
    told.event("trial-ended", 10.0, name, outcome="measured", reason="")
    status = told.status()
    assert status.left == (20.0, 20.0)
    assert status.spent_s == pytest.approx(20.0)


def test_the_time_between_two_sittings_is_not_spent() -> None:
    told = began(design={"blocks": 1}).trial(1, 10.0).event("run-interrupted", state="interrupted", why="")
    told.event("run-resumed", 36_000.0, outstanding=3).trial(2, 12.0)
    assert told.status().spent_s == pytest.approx(22.0)


def test_putting_the_guest_back_in_the_morning_is_not_time_that_the_run_was_at_work() -> None:
    told = began(design={"blocks": 1}).trial(1, 10.0)
    told.event("leases-taken", 36_000.0, by="trialbed restore", leases=[]).event("restored", 1.0, by="trialbed restore")
    assert told.status("crashed").spent_s == pytest.approx(10.0)


def test_a_crash_with_the_guest_away_offers_both_ways() -> None:
    told = began(design={"blocks": 1}).event("trial-started", trial="0001")
    status = told.status("crashed")
    assert not status.guest_back
    assert status.next_step == "trialbed resume run-1, or to put the guest back only: trialbed restore run-1"
    assert status.heard_s == 5.0


def test_a_guest_that_could_not_be_put_back_is_the_first_thing_to_do() -> None:
    told = began(design={"blocks": 1}).trial(1, 10.0).event("restore-started", guest="bookings-1")
    hand = ["virsh -c qemu:///system define /r/before/bookings-1/definition/domain.xml"]
    told.event("restore-failed", guest="bookings-1", reason="no route", by_hand=hand)
    status = told.status("crashed")
    assert (status.state, status.next_step) == ("not put back", "trialbed restore run-1")
    assert status.not_back[0].by_hand == tuple(hand)


def test_once_it_was_put_back_after_all_nobody_says_that_it_could_not() -> None:
    told = began(design={"blocks": 1}).trial(1, 10.0).event("restore-started", guest="bookings-1")
    told.event("restore-failed", guest="bookings-1", reason="no route", by_hand=[])
    told.event("run-interrupted", state="interrupted", why=NOT_BACK)
    assert told.status("interrupted").state == "not put back"
    told.event("restored", 3600.0, guest="bookings-1", by="trialbed restore")
    status = told.status("interrupted")
    assert (status.state, status.why) == ("interrupted", "a guest could not be put back at first")
    assert status.guest_back
    assert status.not_back == ()


def test_leases_are_those_that_the_journal_has() -> None:
    told = began(design={"blocks": 1}).event("leases-taken", leases=["rack-a: host", "rack-a: guest-libvirt-bookings"])
    assert told.status().leases == ("rack-a: host", "rack-a: guest-libvirt-bookings")
    assert told.event("leases-released").status().leases == ()


def test_a_time_limit_is_told_while_the_run_goes_on() -> None:
    told = Told(record_of(PLAN)).event("run-started", outstanding=8, ends_utc="2026-11-29T05:30:00.000Z")
    assert told.status().ends_utc == "2026-11-29T05:30:00.000Z"
    assert told.status("crashed").ends_utc == ""
    assert told.event("run-resumed", outstanding=8).status().ends_utc == ""


def test_journals_of_any_age_and_state_have_a_status() -> None:
    """Details that an earlier version did not write, and times that are none."""
    odd = [Event(time_utc="yesterday", event="trial-started", trial="t"), Event(time_utc="", event="leases-taken")]
    status = status_of(glance(odd, "crashed"))
    assert (status.ended, status.leases, status.spent_s) == (0, (), 0.0)
