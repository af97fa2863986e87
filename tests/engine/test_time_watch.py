"""Runs with a time limit on the simulated lab: a night passes in virtual time, and the clocks do what clocks do."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import pytest
from simulated_run import Experiment, Heard, lab, plan

from orchestrator.core.design.time_limit import TimeLimit
from orchestrator.core.design.trials import trials
from orchestrator.core.record.journal import Event, progress
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.neighbours import Neighbours
from orchestrator.engine.news import Measured, News, Notice, RunEnded, StageBegan, TimePlanned, TrialBegan, TrialEnded
from orchestrator.engine.run_plan import Outcome, Run
from orchestrator.engine.virtual_clock import VirtualClock

#: Blocks of two trials, each of 45 to 51 s; the plan allows 17 to 200 s (10 + 10 + 180).
BLOCKS, CELLS = 4, 2
MEASURE = {"warm-up": {"at-least": "5 s", "at-most": "10 s"}, "steady": {"at-least": "10 s", "at-most": "10 s"}}
LOAD = {"name": "bookings", "use": "bookings", "threads": [2]}


class Night:
    """A run with a limit, and what was told and kept of it."""

    def __init__(self, limit: TimeLimit, on: Callable[[News], None] = lambda _news: None, **changed: Any) -> None:
        # `on` is told every event, and may do something to the clock then.
        heard = Heard(stop_on=lambda news: on(news) and False)
        host = changed.pop("host", {})
        changed = {"design": {"blocks": BLOCKS, "seed": 7}, "measure": MEASURE, "workloads": [LOAD]} | changed
        self.experiment = Experiment(plan(**changed), lab(**host), heard=heard)
        assert isinstance(self.experiment.clock, VirtualClock)
        self.clock = self.experiment.clock
        self.before = self.experiment.hypervisor.save()
        self.began_s, self.began_wall_s = self.clock.boottime(), self.clock.now()
        self.limit = limit
        if limit.until_s is not None:  # told as seconds from the beginning
            self.limit = dataclasses.replace(limit, until_s=self.began_wall_s + limit.until_s)
        self.experiment.bench = dataclasses.replace(self.experiment.bench, limit=self.limit)

    def go(self, done: list[TrialRecord] | None = None) -> Outcome:
        e = self.experiment
        writer = e.writer() if done is None else e.store.reopen("run-1")[1]
        outcome = Run(e.plan, e.lab, e.bench, writer, done or ()).go()
        assert e.hypervisor.save() == self.before, "the guest is back whatever the time"
        return outcome

    @property
    def took_s(self) -> float:
        return self.clock.boottime() - self.began_s

    @property
    def records(self) -> list[TrialRecord]:
        return list(self.experiment.store.kept["run-1"].trials.values())

    def events(self, name: str) -> list[Event]:
        return [event for event in self.experiment.store.kept["run-1"].journal if event.event == name]

    def notices(self) -> str:
        return "\n".join(news.text for news in self.experiment.heard.news if isinstance(news, Notice))

    def whole_blocks(self) -> int:
        ended = [record.block for record in self.records]
        return sum(ended.count(block) == CELLS for block in set(ended))


def at_trial(number: int, act: Callable[[], None], stage: str = "") -> Callable[[News], None]:
    """Do something once: as a trial of that number begins, or a stage of it."""
    state = {"trial": 0, "acted": 0}

    def hear(news: News) -> None:
        if isinstance(news, TrialBegan):
            state["trial"] = news.trial.number
        now = isinstance(news, TrialBegan) if not stage else isinstance(news, StageBegan) and news.stage == stage
        if now and state["trial"] == number and not state["acted"]:
            state["acted"] = 1
            act()

    return hear


def at_end(number: int, act: Callable[[], None]) -> Callable[[News], None]:
    """Do something once a trial is stored."""
    return lambda news: act() if isinstance(news, TrialEnded) and news.record.number == number else None


@pytest.fixture(scope="module")
def lengths() -> list[float]:
    """How long each trial takes, and after them putting the guest back, in a night without end."""
    night = Night(TimeLimit())
    night.go()
    taken = [record.seconds or 0.0 for record in night.records]
    return [*taken, night.took_s - sum(taken)]


@pytest.mark.parametrize(
    ("kind", "seconds"), [("for_s", 250), ("until_s", 250), ("for_s", 330), ("until_s", 400), ("for_s", 480)]
)
def test_a_cut_night_is_never_over_its_limit_and_is_balanced(lengths: list[float], kind: str, seconds: int) -> None:
    night = Night(TimeLimit(**{kind: float(seconds)}))
    outcome = night.go()
    assert night.took_s <= seconds
    *trial_s, back_s = lengths
    best = sum(sum(trial_s[: block * CELLS]) + back_s <= seconds for block in range(1, BLOCKS + 1))
    assert best - 1 <= night.whole_blocks() <= best
    if outcome.state == "done":
        assert len(night.records) == BLOCKS * CELLS
        return
    assert outcome.state == progress(night.experiment.store.kept["run-1"].journal).state == "out of time"
    assert len(night.records) == night.whole_blocks() * CELLS
    missing = BLOCKS * CELLS - len(night.records)
    assert f"{night.whole_blocks()} of {BLOCKS} blocks" in outcome.why
    assert f"{missing} trials are missing" in outcome.why
    assert "of it for putting the guest back" in outcome.why
    assert ", in " not in outcome.why, "a time to go is stale by the morning"
    assert [event.detail["reason"] for event in night.events("time-up")] == [outcome.why]


def test_the_earlier_of_two_limits_counts() -> None:
    for limit in (TimeLimit(until_s=250.0, for_s=6000.0), TimeLimit(until_s=6000.0, for_s=250.0)):
        night = Night(limit)
        assert night.go().state == "out of time"
        assert 150 < night.took_s <= 250


def test_without_a_limit_nothing_is_said_of_time() -> None:
    night = Night(TimeLimit(), design={"blocks": 1})
    assert night.go().state == "done"
    assert not [news for news in night.experiment.heard.news if isinstance(news, TimePlanned)]
    assert not {"ends_utc", "until_utc", "for_s"} & night.events("run-started")[0].detail.keys()


def test_the_limit_and_each_blocks_share_are_told_and_kept() -> None:
    night = Night(TimeLimit(for_s=400.0))
    night.go()
    planned = [news for news in night.experiment.heard.news if isinstance(news, TimePlanned)]
    assert [news.block for news in planned] == [1, 2, 3]
    assert (planned[0].left_s, planned[0].ends) == (pytest.approx(400, abs=5), "2026-01-01T00:06:40.000Z")
    assert planned[0].up_to_s == CELLS * 200
    assert planned[1].up_to_s < CELLS * 60, "what was seen counts, not what the plan allows"
    kept = night.events("run-started")[0].detail
    assert (kept["for_s"], kept["ends_utc"]) == (400.0, "2026-01-01T00:06:40.000Z")


def test_of_the_first_block_as_much_is_run_as_there_is_time_for() -> None:
    """Eight cells in four minutes: the fifth is begun since it might be quick, and is the one trial that is lost."""
    night = Night(TimeLimit(for_s=240.0), workloads=[LOAD | {"threads": [1, 2, 3, 4]}])
    outcome = night.go()
    assert outcome.state == "out of time"
    assert len(night.records) == 4
    assert len(night.events("trial-discarded")) == 1
    assert night.took_s <= 240
    assert f"0 of {BLOCKS} blocks are whole, 28 trials are missing" in outcome.why


def test_a_trial_that_takes_longer_than_all_before_is_cut_off_and_what_it_measured_is_put_apart() -> None:
    """Its cell has been quick so far; now the guest is slow to start, and its warm-up comes to the end of the time."""
    night = Night(TimeLimit(for_s=430.0), at_trial(6, lambda: night.clock.sleep(150), "start"))
    outcome = night.go()
    assert outcome.state == "out of time"
    assert len(night.records) == 5
    cut = trials(night.experiment.plan)[5].id
    assert f"trial {cut} was cut off, since the guest had to be put back by then" in outcome.why
    assert [event.trial for event in night.events("trial-discarded")] == [cut]
    assert [draft.trial for draft in night.experiment.store.kept["run-1"].discarded] == [cut]
    assert night.events("stage-started")[-1].detail == {"stage": "warm up"}
    # Cut off within a step of the moment that leaves half as much again as stopping, defining and starting took.
    seen = [{stage.stage: stage.seconds for stage in record.stages} for record in night.records]
    back_s = max(1.5 * (stage["stop"] + stage["reshape"] + stage["start"]) for stage in seen)
    assert 430 - back_s <= night.took_s <= 430


def test_a_guest_that_never_boots_does_not_hold_the_run_beyond_its_limit() -> None:
    """A login is waited for three minutes, and a shutdown longer still; neither is, where less is left."""
    night = Night(TimeLimit(for_s=300.0), host={"faults": [{"kind": "does-not-boot", "trial": 4}]})
    outcome = night.go()
    assert night.took_s <= 300
    assert outcome.state == "out of time"
    assert len(night.records) == 3
    assert outcome.failed == 0, "what the end of the time cut short has not failed"


def test_a_busy_host_is_not_waited_for_beyond_the_limit() -> None:
    busy = {"cpus": 4, "neighbours": 0, "gang": False, "other-load": [{"until": "1 d", "loops": 4}]}
    night = Night(TimeLimit(for_s=300.0), quiet={"wait": "2 h"}, host=busy)
    outcome = night.go()
    assert outcome.state == "out of time"
    assert 100 < night.took_s <= 300
    assert night.records == []


def test_another_night_goes_on_where_the_first_ended() -> None:
    night = Night(TimeLimit(for_s=250.0))
    assert night.go().state == "out of time"
    first = night.records
    assert 0 < len(first) < BLOCKS * CELLS
    experiment = night.experiment
    experiment.bench = dataclasses.replace(experiment.bench, limit=TimeLimit())
    assert night.go(first).state == "done"
    assert [record.id for record in night.records] == [trial.id for trial in trials(experiment.plan)]


def test_what_was_seen_the_night_before_plans_the_next_one() -> None:
    night = Night(TimeLimit(for_s=250.0))
    night.go()
    began = len(night.experiment.heard.news)
    night.go(night.records)
    planned = [news for news in night.experiment.heard.news[began:] if isinstance(news, TimePlanned)]
    assert planned
    assert planned[0].up_to_s < CELLS * 60


def test_a_run_that_ends_when_decided_keeps_to_its_limit_and_judges_whole_blocks_only() -> None:
    sequential = {"blocks": {"at-least": 2, "at-most": 12, "until": "decided"}, "seed": 7}
    night = Night(TimeLimit(for_s=250.0), design=sequential, decide={"margin": "0.1 %"})
    outcome = night.go()
    assert night.took_s <= 250
    assert outcome.state == "out of time"
    assert f"{night.whole_blocks()} of at most 12 blocks" in outcome.why
    assert len(night.records) == CELLS * night.whole_blocks()
    generous = Night(
        TimeLimit(for_s=7200.0), design=sequential | {"blocks": {"at-least": 2, "at-most": 3, "until": "decided"}}
    )
    assert generous.go().state == "done"


# ------------------------------------------------------------------------------------------------ clocks that move


@pytest.mark.parametrize(("by_s", "way"), [(3600.0, "forward"), (-3600.0, "back")])
@pytest.mark.parametrize("stage", ["", "measure"])
def test_a_length_is_kept_to_whatever_the_clock_is_set_to(
    lengths: list[float], by_s: float, way: str, stage: str
) -> None:
    night = Night(TimeLimit(for_s=330.0), at_trial(4, lambda: night.clock.set_forward(by_s), stage))
    assert night.go().state == "out of time"
    assert [record.seconds for record in night.records] == pytest.approx(lengths[: 3 * CELLS], abs=0.5)
    assert "failed" not in {record.outcome for record in night.records}
    assert [event.detail for event in night.events("clock-stepped")] == [{"by_s": pytest.approx(by_s, abs=0.01)}]
    assert f"was set {way} by 1 h;" in night.notices()
    assert "(its length counts, whatever the clock shows)" in night.notices()


def test_an_end_by_the_clock_comes_earlier_where_the_clock_is_set_forward() -> None:
    """Three blocks would fit; a hundred seconds less hold two."""
    night = Night(TimeLimit(until_s=330.0), at_trial(4, lambda: night.clock.set_forward(100)))
    assert night.go().state == "out of time"
    assert night.took_s <= 230
    assert night.whole_blocks() == 2


def test_an_end_by_the_clock_comes_later_where_the_clock_is_set_back() -> None:
    night = Night(TimeLimit(until_s=330.0), at_trial(4, lambda: night.clock.set_forward(-3600)))
    assert night.go().state == "done"
    assert "was set back by 1 h;" in night.notices()
    assert "the run ends by 2026-01-01T00:05:30.000Z, in 1 h 3 min (the clock as it is now counts)" in night.notices()


def test_a_clock_set_forward_beyond_the_end_cuts_the_trial_in_hand_off() -> None:
    night = Night(TimeLimit(until_s=330.0), at_trial(4, lambda: night.clock.set_forward(3600), "warm up"))
    outcome = night.go()
    assert outcome.state == "out of time"
    assert "was cut off" in outcome.why
    assert len(night.records) == 3


@pytest.mark.parametrize("by_s", [3600.0, -3600.0])
def test_how_long_a_trial_took_is_right_although_the_clock_was_set_in_the_middle(by_s: float) -> None:
    night = Night(TimeLimit(), at_trial(2, lambda: night.clock.set_forward(by_s), "measure"), design={"blocks": 1})
    night.go()
    for record in night.records:
        assert record.seconds == pytest.approx(sum(stage.seconds for stage in record.stages), abs=0.5)
        assert 40 < (record.seconds or 0) < 60


def test_a_trial_in_which_the_machine_slept_is_worthless_and_run_again() -> None:
    night = Night(TimeLimit(), at_trial(2, lambda: night.clock.suspend(1234), "measure"), design={"blocks": 1})
    assert night.go().state == "done"
    slept = trials(night.experiment.plan)[1].id
    assert [(event.trial, event.detail) for event in night.events("slept")] == [(slept, {"seconds": 1234.0})]
    assert [event.trial for event in night.events("trial-discarded")] == [slept]
    assert [event.trial for event in night.events("trial-started")].count(slept) == 2
    assert "failed" not in {record.outcome for record in night.records}
    assert len(night.records) == CELLS
    assert "this machine slept for 20 min 34 s" in night.notices()
    assert not night.events("clock-stepped"), "a sleep moves all clocks but the monotonic one"


def test_a_sleep_within_the_last_second_of_measuring_is_not_missed(mocker) -> None:
    """Caught as the stage ends, where no step of the observation follows any more."""
    night = Night(TimeLimit(), design={"blocks": 1})
    slept: list[None] = []
    # The last that is done in the stage, after its last sample.
    mocker.patch.object(Neighbours, "vouch", side_effect=lambda: slept or slept.append(night.clock.suspend(60)))
    night.go()
    assert len(night.events("trial-discarded")) == 1
    assert len(night.records) == CELLS


def test_a_sleep_between_trials_costs_none_of_them() -> None:
    night = Night(TimeLimit(), at_end(1, lambda: night.clock.suspend(600)), design={"blocks": 1})
    night.go()
    assert [event.trial for event in night.events("slept")] == [None]
    assert not night.events("trial-discarded")
    assert len(night.records) == CELLS


@pytest.mark.parametrize("kind", ["for_s", "until_s"])
def test_a_sleep_counts_for_a_length_as_it_does_for_the_clock(kind: str) -> None:
    night = Night(TimeLimit(**{kind: 3000.0}), at_trial(6, lambda: night.clock.suspend(5000), "start"))
    outcome = night.go()
    assert outcome.state == "out of time"
    assert len(night.records) == 5
    assert night.took_s < 5000 + 500


def test_a_sleep_after_the_measurement_makes_no_trial_seem_long() -> None:
    night = Night(TimeLimit(for_s=24_000.0), at_trial(1, lambda: night.clock.suspend(20_000), "stop"))
    assert night.go().state == "done"


def test_a_machine_that_keeps_falling_asleep_ends_the_run_and_is_not_tried_for_ever() -> None:
    night = Night(TimeLimit(), design={"blocks": 1})
    night.experiment.heard.stop_on = lambda news: (
        night.clock.suspend(10) if isinstance(news, StageBegan) and news.stage == "warm up" else None
    )
    outcome = night.go()
    assert outcome.state == "interrupted"
    assert "was begun 3 times: this machine slept for 10 s" in outcome.why
    assert night.records == []


def test_steps_too_small_to_be_told_are_told_once_they_add_up() -> None:
    night = Night(TimeLimit(), design={"blocks": 2})
    night.experiment.heard.stop_on = lambda news: night.clock.set_forward(1.5) if isinstance(news, TrialBegan) else None
    night.go()
    assert [event.detail["by_s"] for event in night.events("clock-stepped")] == [
        pytest.approx(3.0, abs=0.01),
        pytest.approx(3.0, abs=0.01),
    ]


def test_a_process_that_was_held_between_two_clocks_has_not_slept(mocker) -> None:
    """The first clock is read, the process stands for a minute, the second is read: no machine slept."""
    night = Night(TimeLimit(), design={"blocks": 1})
    boottime, held = night.clock.boottime, []

    def slow() -> float:
        if len(night.experiment.store.kept["run-1"].trials) == 1 and not held:
            held.append(night.clock.sleep(60))
        return boottime()

    mocker.patch.object(night.clock, "boottime", side_effect=slow)
    night.go()
    assert held
    assert not night.events("slept")
    assert not night.events("clock-stepped")


def test_a_run_out_of_time_ends_as_such_for_whoever_watches() -> None:
    night = Night(TimeLimit(for_s=250.0))
    outcome = night.go()
    last = night.experiment.heard.news[-1]
    assert isinstance(last, RunEnded)
    assert (last.state, last.why) == ("out of time", outcome.why)
    assert [news for news in night.experiment.heard.news if isinstance(news, Measured)]
