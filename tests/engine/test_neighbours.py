"""Neighbours of a run: when they run, what becomes of dead ones, and that everybody gets back what was theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest
from neighbour_fakes import COMMAND, GUEST, HOGS, IN_GUEST, Beside
from simulated_run import Heard

from orchestrator.core.record.journal import Event, progress
from orchestrator.engine.neighbour_load import Load
from orchestrator.engine.news import NeighboursBegan, Notice, StageBegan, TrialBegan
from orchestrator.engine.stages import LAUNCH, NEIGHBOURS
from orchestrator.errors import GuestFault, HostFault, InputError, RestoreError, StoreError, UnreachableError


def when(stage: str, trial: int, act) -> Heard:
    """A reporter that does something as a stage of a trial begins."""
    return at({(stage, trial): act})


def at(acts: Mapping[tuple[str, int], Callable[[], object]]) -> Heard:
    """The same for several stages."""

    class Acts(Heard):
        number = 0

        def tell(self, news) -> None:
            super().tell(news)
            if isinstance(news, TrialBegan):
                self.number = news.trial.number
            if isinstance(news, StageBegan) and (act := acts.get((news.stage, self.number))) is not None:
                act()

    return Acts()


def test_they_run_beside_every_trial_and_are_gone_afterwards() -> None:
    seen = []
    beside = Beside(HOGS, IN_GUEST, COMMAND, heard=when("measure", 2, lambda: seen.append(len(beside.host.running))))
    records = beside.run.go()
    assert {record.outcome for record in records} == {"measured"}
    assert seen == [1]
    assert [load.loops for load in beside.host.loads] == [2]
    assert [load.argv[-2:] for load in beside.other.loads] == [("busy-loops", "1"), ["work", "2"]]
    assert not beside.host.running
    assert not beside.other.running
    told = [news.described for news in beside.run.heard.news if isinstance(news, NeighboursBegan)]
    assert told == [
        "hogs (2 busy loops on the host's CPUs 0, 1); timetable (1 busy loop in guest timetable-1); "
        "reports ('work 2' in guest timetable-1)"
    ]


def test_the_journal_tells_before_and_after() -> None:
    beside = Beside(HOGS, IN_GUEST)
    beside.run.go()
    journal = beside.journal
    assert journal[:5] == ["run-started", "leases-taken", "guest-saved", "guest-saved", "neighbours-started"]
    assert journal[-7:] == [
        "restore-started",
        "restored",
        "neighbours-ended",
        "restore-started",
        "restored",
        "leases-released",
        "run-ended",
    ]


@pytest.mark.parametrize("running", [True, False])
def test_a_guest_comes_back_as_it_was(running: bool) -> None:
    beside = Beside(IN_GUEST, running=running)
    beside.run.go()
    assert beside.guest.on is running
    assert beside.guest.calls == ([] if running else ["start", "restore"]), "one that is as it was is not touched"
    assert beside.run.store.kept["run-1"].before[GUEST].running is running
    assert progress(beside.run.store.kept["run-1"].journal).guest_is_back


def test_a_plan_without_neighbours_touches_none() -> None:
    beside = Beside()
    beside.run.go()
    assert not [event for event in beside.journal if event.startswith("neighbour")]
    assert beside.guest.calls == []


def test_an_unmarked_guest_is_refused_before_anything_is_touched() -> None:
    beside = Beside(IN_GUEST, marked=False)
    with pytest.raises(InputError, match=r"guests\.timetable-1\.may-power-cycle.*would be started"):
        beside.run.go()
    assert beside.guest.calls == []
    assert not beside.journal


@pytest.mark.parametrize(
    ("machine", "neighbour", "end", "says"),
    [
        ("host", HOGS, (3, "there is no taskset to pin loops with"), "status 3: there is no taskset to pin loops"),
        ("other", COMMAND, (127, "work: not found"), "status 127: work: not found"),
        ("other", IN_GUEST, (-1, ""), "its login was lost"),
    ],
)
def test_one_that_does_not_start_ends_the_run_before_its_first_trial(machine, neighbour, end, says) -> None:
    beside = Beside(IN_GUEST, neighbour | {"name": "second"})
    getattr(beside, machine).ends = [end] if machine == "host" else [(None, ""), end]
    with pytest.raises(UnreachableError, match=f"neighbour second .* no trial was run: .*{says}"):
        beside.run.go()
    assert not beside.run.store.kept["run-1"].trials
    assert not beside.guest.on
    assert not beside.other.running
    assert progress(beside.run.store.kept["run-1"].journal).guest_is_back


def test_a_guest_that_does_not_boot_is_told_with_what_its_hypervisor_knows(mocker) -> None:
    beside = Beside(IN_GUEST)
    mocker.patch.object(beside.guest, "start", side_effect=lambda: setattr(beside.other, "reachable", False))
    with pytest.raises(UnreachableError, match=r"it was switched off from outside .*nobody answers.*tried"):
        beside.run.go()
    assert not beside.guest.on


def test_one_that_died_is_started_again_and_the_journal_says_so() -> None:
    beside = Beside(HOGS, heard=when("stop", 1, lambda: setattr(beside.host.loads[0], "living", 1)))
    records = beside.run.go()
    assert {record.outcome for record in records} == {"measured"}
    assert len(beside.host.loads) == 2
    assert not beside.host.running
    (event,) = [e for e in beside.run.store.kept["run-1"].journal if e.event == "neighbour-restarted"]
    assert event.trial == records[1].id
    assert event.detail == {"neighbour": "hogs", "reason": "running 1 of 2 loops"}
    (notice,) = [news.text for news in beside.run.heard.news if isinstance(news, Notice)]
    assert "neighbour hogs (2 busy loops on the host's CPUs 0, 1) no longer ran" in notice


def test_a_guest_that_was_switched_off_is_started_again_with_all_that_ran_in_it() -> None:
    def switch_off() -> None:
        beside.other.cut()
        beside.guest.on = beside.other.reachable = False

    beside = Beside(IN_GUEST, COMMAND, heard=when("stop", 2, switch_off))
    records = beside.run.go()
    assert {record.outcome for record in records} == {"measured"}
    assert beside.guest.calls == ["start", "start", "restore"]
    assert len(beside.other.loads) == 4
    assert not beside.other.running


def test_the_wait_for_a_neighbour_that_boots_again_is_not_booked_to_the_launch() -> None:
    def switch_off() -> None:
        beside.other.cut()
        beside.other.reachable = beside.guest.on = False

    def boot() -> None:
        beside.guest.start_takes_s = 100.0

    beside = Beside(IN_GUEST, heard=at({("stop", 1): switch_off, ("deploy", 2): boot}))
    records = beside.run.go()
    assert {record.outcome for record in records} == {"measured"}
    took = {stage.stage: stage.seconds for stage in records[1].stages}
    assert took["neighbours"] >= 100
    assert took["launch"] < LAUNCH.limit_s / 2
    assert [stage.stage for stage in records[1].stages][5:7] == ["neighbours", "launch"]


def test_without_neighbours_there_is_no_such_stage() -> None:
    assert "neighbours" not in {stage.stage for record in Beside().run.go() for stage in record.stages}


def test_nothing_is_started_again_once_the_time_is_over(mocker) -> None:
    mocker.patch.object(Load, "trouble", return_value="it ended with exit status 1")
    mocker.patch.object(Load, "restart", side_effect=lambda: beside.run.clock.sleep(NEIGHBOURS.limit_s))
    beside = Beside(HOGS)
    records = beside.run.go()
    assert "did not go on running, started again once" in records[0].reason


def test_a_machine_that_falls_silent_is_noticed_by_its_silence() -> None:
    def fall_silent() -> None:
        for load in beside.other.loads:
            load.deaf = True

    beside = Beside(IN_GUEST, heard=when("stop", 1, fall_silent))
    beside.run.go()
    (event,) = [e for e in beside.run.store.kept["run-1"].journal if e.event == "neighbour-restarted"]
    assert "does not answer" in event.detail["reason"]
    assert not beside.other.running, "what was not seen to end goes with its login"


def test_what_a_silent_one_takes_with_it_is_started_again_before_the_trial_goes_on() -> None:
    """Both are on one login, and the one that is looked at first is well until the login is given up."""
    running: list[int] = []

    def fall_silent() -> None:
        beside.other.loads[1].deaf = True

    def look() -> None:
        running.append(len(beside.other.running))

    beside = Beside(COMMAND, IN_GUEST, heard=at({("stop", 1): fall_silent, ("warm up", 2): look}))
    records = beside.run.go()
    assert running == [2]
    events = [e for e in beside.run.store.kept["run-1"].journal if e.event == "neighbour-restarted"]
    again = [(event.trial, event.detail["neighbour"]) for event in events]
    assert again == [(records[1].id, "timetable"), (records[1].id, "reports")]


@pytest.mark.parametrize("neighbour", [HOGS, COMMAND])
def test_a_trial_beside_one_that_dies_is_not_taken_for_one_beside_it(neighbour: Mapping[str, object]) -> None:
    def die() -> None:
        (beside.host if neighbour is HOGS else beside.other).loads[0].end(137, "Killed")

    beside = Beside(neighbour, heard=at({("measure", 2): die}))
    records = beside.run.go()
    assert (records[1].failed_stage, records[1].fault) == ("measure", "host")
    assert "did not run to the end of the measurement: it ended with exit status 137: Killed" in records[1].reason
    assert [record.outcome for record in records] == ["measured", "failed", "measured", "measured"]


def test_those_that_end_whenever_they_are_looked_at_fail_the_trial(mocker) -> None:
    beside = Beside(HOGS)
    mocker.patch.object(Load, "trouble", return_value="it ended with exit status 1")
    records = beside.run.go()
    assert {(record.failed_stage, record.fault) for record in records} == {("neighbours", "host")}
    assert "did not go on running, started again 3 times: hogs (2 busy loops" in records[0].reason
    assert not beside.host.running


def test_one_that_cannot_be_started_again_fails_the_trial_and_the_run_goes_on() -> None:
    def die() -> None:
        beside.host.loads[0].end(137, "Killed")
        beside.host.ends = [(3, "no loop can run on CPU 1")]

    beside = Beside(HOGS, heard=when("stop", 1, die))
    records = beside.run.go()
    failed = records[1]
    assert (failed.outcome, failed.failed_stage, failed.fault) == ("failed", "neighbours", "host")
    assert "hogs" in failed.reason
    assert "exit status 137: Killed" in failed.reason
    assert "no loop can run on CPU 1" in failed.reason
    assert [record.outcome for record in records] == ["measured", "failed", "measured", "measured"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, StoreError("the disk is full")])
def test_whatever_ends_the_run_ends_them(error: BaseException | type[BaseException]) -> None:
    def fail() -> None:
        raise error

    beside = Beside(HOGS, IN_GUEST, heard=when("measure", 2, fail))
    with pytest.raises((KeyboardInterrupt, StoreError)):
        beside.run.go()
    assert not beside.host.running
    assert not beside.other.running
    assert not beside.guest.on


def test_an_interrupt_while_they_are_started_puts_everything_back(mocker) -> None:
    beside = Beside(HOGS, IN_GUEST)
    beside.guest.refuses["start"] = KeyboardInterrupt()
    before = beside.run.hypervisor.save()
    with pytest.raises(KeyboardInterrupt):
        beside.run.go()
    assert not beside.host.running
    assert beside.run.hypervisor.save() == before


@pytest.mark.parametrize("error", [RestoreError("the host said no"), OSError("no socket"), GuestFault("will not stop")])
def test_a_guest_that_is_not_back_is_told_loudly_and_the_measured_one_is_back_all_the_same(error: Exception) -> None:
    beside = Beside(HOGS, IN_GUEST)
    beside.guest.refuses["restore"] = error
    before = beside.run.hypervisor.save()
    with pytest.raises(RestoreError, match=rf"NOT PUT BACK: guest 'timetable-1' .*{error}(?s:.*)/before/"):
        beside.run.go()
    assert beside.run.hypervisor.save() == before
    assert not beside.host.running
    where = progress(beside.run.store.kept["run-1"].journal)
    assert not where.guest_is_back
    assert where.state != "done"

    beside.guest.refuses.clear()
    _, writer, _ = beside.run.store.reopen("run-1")
    loads = len(beside.other.loads)
    assert beside.run.go(writer, done=beside.run.store.kept["run-1"].trials.values()) == []
    assert not beside.guest.on, "a run without trials left puts back what it owes"
    assert len(beside.other.loads) == loads, "and starts nothing"


def test_two_guests_that_are_not_back_are_both_named(mocker) -> None:
    beside = Beside(IN_GUEST)
    beside.guest.refuses["restore"] = HostFault("busy")
    mocker.patch.object(beside.run.hypervisor, "restore", side_effect=HostFault("gone"))
    with pytest.raises(RestoreError, match=r"(?s)timetable-1.*busy.*bookings-1.*gone"):
        beside.run.go()


def test_a_resumed_run_starts_them_again_and_puts_back_what_was_before_the_first() -> None:
    heard = Heard(stop_on=lambda news: isinstance(news, TrialBegan) and news.trial.number == 2)
    beside = Beside(HOGS, IN_GUEST, heard=heard)
    assert len(beside.run.go()) == 2
    beside.guest.on = True  # as a run that was killed leaves it
    beside.run.heard.stop_on, beside.run.heard.requested = None, False
    _, writer, _ = beside.run.store.reopen("run-1")
    rest = beside.run.go(writer, done=beside.run.store.kept["run-1"].trials.values())
    assert [record.number for record in rest] == [3, 4]
    assert [load.loops for load in beside.host.loads] == [2, 2]
    assert not beside.guest.on


def test_loops_that_share_a_session_are_told_of() -> None:
    beside = Beside(HOGS)
    beside.host.together = True
    beside.run.go()
    (notice,) = [news.text for news in beside.run.heard.news if isinstance(news, Notice)]
    assert "no setsid" in notice


def test_one_that_will_not_end_is_told_of_and_goes_with_its_login() -> None:
    beside = Beside(HOGS, heard=when("stop", 4, lambda: setattr(beside.host.loads[0], "deaf", True)))
    beside.run.go()
    assert any("was not seen to end" in news.text for news in beside.run.heard.news if isinstance(news, Notice))
    assert not beside.host.running


def test_loops_of_neighbours_are_not_taken_for_a_disturbance() -> None:
    """The model's host is busy by its own neighbours: by declaration here, and so no reason for a flag."""
    beside = Beside(HOGS)
    checks = [c for r in beside.run.go() if r.summary for c in r.summary.checks if c.name == "other load"]
    assert {check.state for check in checks} == {"ok"}
    assert all(check.detail.startswith("with the declared neighbours: ") for check in checks)


def test_the_fold_of_the_journal_knows_whose_guest_is_away() -> None:
    def events(*named) -> list[Event]:
        return [Event(time_utc="", event=name, detail=detail) for name, detail in named]

    began = ("neighbours-started", {"guests": ["a", "b"]})
    trial = ("trial-started", {})
    back = [("restored", {"guest": guest}) for guest in ("a", "b", "bookings-1")]
    assert not progress(events(began)).guest_is_back
    assert not progress(events(began, *back[:1])).guest_is_back
    assert progress(events(began, *back[:2])).guest_is_back
    assert not progress(events(began, trial, *back[:2])).guest_is_back
    assert not progress(events(began, trial, *back[1:])).guest_is_back
    assert progress(events(began, trial, *back)).guest_is_back
