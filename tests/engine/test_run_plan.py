"""Whole runs in virtual time: what is done in which order, what is kept, and that the guest always comes back."""

from __future__ import annotations

import contextlib
import dataclasses
import time

import pytest
from simulated_run import Experiment, Heard, lab, plan

from orchestrator.core.design.trials import trials
from orchestrator.core.record.journal import progress
from orchestrator.engine.news import Measured, Notice, RunEnded, StageBegan, TrialBegan, TrialEnded
from orchestrator.errors import GuestFault, HostFault, InputError, RestoreError, StoreError, UnreachableError
from orchestrator.testing.memory_store import MemoryStore

STAGES = ["reshape", "start", "log in", "verify", "deploy", "launch", "warm up", "measure", "stop"]


def definition(experiment: Experiment):
    return experiment.hypervisor.save()


def test_a_run_measures_every_trial_in_the_planned_order_and_puts_the_guest_back() -> None:
    experiment = Experiment(plan(), lab())
    before = definition(experiment)
    records = experiment.go()
    assert [record.id for record in records] == [trial.id for trial in trials(experiment.plan)]
    assert {record.outcome for record in records} == {"measured"}
    assert definition(experiment) == before
    kept = experiment.store.kept["run-1"]
    assert list(kept.trials) == [record.id for record in records]
    assert kept.sealed
    assert kept.environment is not None
    assert progress(kept.journal).state == "done"
    assert progress(kept.journal).guest_is_back


def test_each_trial_goes_through_the_stages_of_the_table() -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    records = experiment.go()
    for record in records:
        assert [stage.stage for stage in record.stages] == STAGES
    told = [news.stage for news in experiment.heard.news if isinstance(news, StageBegan) and news.attempt == 1]
    assert told == STAGES * len(records)


def test_the_record_holds_what_is_needed_to_believe_it() -> None:
    record = Experiment(plan(design={"blocks": 1}), lab(guest_clock={"offset": "3 s"})).go()[0]
    summary = record.summary
    assert summary is not None
    assert summary.window is not None
    assert summary.throughput is not None
    assert summary.window.end_s - summary.window.start_s >= 29
    assert len(summary.vcpus) in (1, 2)
    for share in summary.vcpus:
        assert share.wait is not None
        assert share.idle is not None
        assert share.run + share.wait + share.idle == pytest.approx(1.0, abs=1e-6)
    assert record.seen_inside["online"] in ("0", "0-1")
    assert {clock.machine for clock in record.clocks} == {"host", "guest"}
    assert {clock.when for clock in record.clocks} == {"before", "after"}
    assert len(record.workload_sha256["bookings.py"]) == 64


def test_live_news_carry_rate_interval_and_target() -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    experiment.go()
    measured = [news for news in experiment.heard.news if isinstance(news, Measured)]
    assert any(news.interval is None for news in measured), "the warm-up has no interval yet"
    last = [news for news in measured if news.within is not None]
    assert last
    assert {news.target for news in last} == {0.02}


@pytest.mark.parametrize(
    ("kind", "stage", "fault", "says"),
    [
        ("does-not-boot", "log in", "guest", "tried"),
        ("refuses-reshape", "reshape", "host", "times in 2 min"),
        ("refuses-start", "start", "host", "tried 2 times"),
        ("fewer-cpus", "verify", "guest", "CPU is online where 2 were asked for"),
        ("less-memory", "verify", "guest", "of memory where 1 GiB were asked for"),
        ("workload-exits", "launch", "workload", "exit status"),
        ("workload-hangs", "launch", "workload", "printed no"),
    ],
)
def test_a_failed_trial_is_recorded_with_its_reason_and_the_run_goes_on(
    kind: str, stage: str, fault: str, says: str
) -> None:
    # Trial 1 is of shape two under this seed, so that a missing CPU can be seen.
    experiment = Experiment(plan(design={"blocks": 1, "seed": 7}), lab(faults=[{"kind": kind, "trial": 1}]))
    assert trials(experiment.plan)[0].cell.shape.vcpus == 2
    before = definition(experiment)
    records = experiment.go()
    first = records[0]
    assert (first.outcome, first.failed_stage, first.fault) == ("failed", stage, fault)
    assert says in first.reason
    assert [record.outcome for record in records[1:]] == ["measured"] * 3
    assert definition(experiment) == before


def test_a_port_that_answers_from_an_old_guest_fails_the_first_trial_already(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    experiment.clock.sleep(1000)
    world = experiment.hypervisor._world  # type: ignore[attr-defined]
    mocker.patch.object(type(world), "up_s", new_callable=mocker.PropertyMock, return_value=1000.0)
    first = experiment.go()[0]
    assert (first.failed_stage, first.fault) == ("verify", "guest")
    assert "it has been up for 16 min 40 s" in first.reason


def test_a_refused_login_is_not_tried_again(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    refused = GuestFault("login refused for user 'bench'")
    connect = experiment.bench.connector.connect

    def answer(access, *, machine, timeout_s):
        if machine == "guest":
            raise refused
        return connect(access, machine=machine, timeout_s=timeout_s)

    mocker.patch.object(experiment.bench.connector, "connect", side_effect=answer)
    records = experiment.go()
    assert {(record.failed_stage, record.reason) for record in records} == {("log in", str(refused))}
    assert {stage.attempts for record in records for stage in record.stages if stage.stage == "log in"} == {1}


@pytest.mark.parametrize(
    ("kind", "fault"),
    [
        ("drops-line", "guest"),
        ("falls-silent", "guest"),
        ("workload-exits", "workload"),
        ("workload-hangs", "workload"),
        ("reboots", "guest"),
    ],
)
def test_a_fault_in_the_middle_of_measuring_ends_that_trial_only(kind: str, fault: str) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab(faults=[{"kind": kind, "trial": 2, "at": "25 s"}]))
    records = experiment.go()
    assert records[1].outcome == "failed"
    assert records[1].fault in {fault, "workload"}
    assert records[1].failed_stage in {"warm up", "measure"}
    assert [record.outcome for i, record in enumerate(records) if i != 1] == ["measured"] * 3


def test_a_guest_that_floods_and_counts_back_harms_nothing_and_is_reported() -> None:
    faults = [
        {"kind": "workload-floods", "trial": 1, "at": "5 s"},
        {"kind": "workload-counts-back", "trial": 2, "at": "20 s"},
    ]
    records = Experiment(plan(design={"blocks": 1}), lab(faults=faults)).go()
    for record in records[:2]:
        assert record.summary is not None
        assert [check.name for check in record.summary.checks if check.state == "flag"]


def test_what_may_pass_is_tried_again_within_the_trial() -> None:
    faults = [{"kind": "refuses-start", "trial": 1, "attempts": 1}]
    records = Experiment(plan(design={"blocks": 1}), lab(faults=faults)).go()
    assert records[0].outcome == "measured"
    assert next(stage for stage in records[0].stages if stage.stage == "start").attempts == 2


def test_the_record_counts_the_tries_that_there_were(mocker) -> None:
    """The last pause before a guest that refuses every login ends with the stage's time: no try follows it."""
    experiment = Experiment(plan(design={"blocks": 1, "only": [{"shape": "one", "threads": 1}]}), lab())
    refused = GuestFault("connection refused", may_pass=True)
    mocker.patch.object(experiment.bench.connector, "connect", side_effect=refused)
    (record,) = experiment.go()
    assert record.failed_stage == "log in"
    tries = next(stage for stage in record.stages if stage.stage == "log in").attempts
    assert f"tried {tries} times" in record.reason


def test_a_missing_counter_is_unavailable_and_not_zero() -> None:
    record = Experiment(plan(design={"blocks": 1}), lab(faults=[{"kind": "counter-missing", "every": 1}])).go()[0]
    assert record.summary is not None
    assert all(share.wait is None and share.idle is None for share in record.summary.vcpus)
    assert any(check.state == "unavailable" for check in record.summary.checks)


def test_an_unmarked_guest_is_not_touched() -> None:
    experiment = Experiment(plan(), lab(may_power_cycle=False))
    before = definition(experiment)
    with pytest.raises(InputError, match="may-power-cycle"):
        experiment.go()
    assert definition(experiment) == before
    assert not experiment.store.kept["run-1"].journal


def test_a_host_that_does_not_answer_at_first_means_nothing_was_changed(mocker) -> None:
    experiment = Experiment(plan(), lab())
    mocker.patch.object(experiment.hypervisor, "describe", side_effect=HostFault("connection refused"))
    with pytest.raises(UnreachableError, match="nothing was changed"):
        experiment.go()


def test_one_interrupt_finishes_the_trial_in_hand_and_a_resumed_run_does_the_rest() -> None:
    heard = Heard(stop_on=lambda news: isinstance(news, TrialBegan) and news.trial.number == 3)
    first = Experiment(plan(), lab(), heard=heard)
    before = definition(first)
    records = first.go()
    assert [record.number for record in records] == [1, 2, 3]
    assert definition(first) == before
    kept = first.store.kept["run-1"]
    assert progress(kept.journal).state == "interrupted"

    _, writer, _ = first.store.reopen("run-1")
    second = Experiment(first.plan, first.lab, store=first.store)
    rest = second.go(writer, done=kept.trials.values())
    assert [record.number for record in rest] == list(range(4, 13))
    assert progress(kept.journal).state == "done"
    assert len(kept.trials) == 12
    assert [event.event for event in kept.journal if event.event.startswith("run-")] == [
        "run-started",
        "run-interrupted",
        "run-resumed",
        "run-ended",
    ]


def test_a_second_interrupt_stops_at_once_and_still_puts_the_guest_back() -> None:
    class Insists(Heard):
        def tell(self, news) -> None:
            super().tell(news)
            if isinstance(news, Measured):
                raise KeyboardInterrupt

    experiment = Experiment(plan(), lab(), heard=Insists())
    before = definition(experiment)
    with pytest.raises(KeyboardInterrupt):
        experiment.go()
    assert definition(experiment) == before
    where = progress(experiment.store.kept["run-1"].journal)
    assert (where.state, where.guest_is_back, where.ended) == ("interrupted", True, ())


def test_after_every_single_write_that_fails_the_guest_is_back() -> None:
    """A disk that fills at any write: enumerated over all writes of a small run, not sampled."""
    short = {"warm-up": {"at-least": "1 s", "at-most": "5 s"}, "steady": {"at-least": "8 s", "at-most": "8 s"}}
    load = {"name": "bookings", "use": "bookings", "threads": [1]}
    small = plan(design={"blocks": 1}, workloads=[load], measure=short)
    whole = MemoryStore()
    Experiment(small, lab(), store=whole).go()
    assert whole.writes > 20
    for writes in range(whole.writes):
        full = MemoryStore(crash_after=writes, crash=lambda: StoreError("the disk is full"))
        experiment = Experiment(small, lab(), store=full)
        before = definition(experiment)
        with pytest.raises(StoreError, match="full"):
            experiment.go(experiment.writer())
        assert definition(experiment) == before, f"after {writes} writes"


def test_a_guest_that_cannot_be_put_back_is_the_loudest_of_all(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    mocker.patch.object(experiment.hypervisor, "restore", side_effect=HostFault("no route to host"))
    mocker.patch.object(experiment.hypervisor, "by_hand", side_effect=lambda _saved, folder: [f"put-back {folder}"])
    with pytest.raises(RestoreError) as caught:
        experiment.go()
    assert str(caught.value).splitlines() == [
        "NOT PUT BACK: guest 'bookings-1' is not as it was before the run: no route to host",
        "Once that is mended: trialbed restore /memory/run-1",
        "Or by hand, in a shell on this machine:",
        "  put-back /memory/run-1/before/bookings-1/definition",
    ]
    where = progress(experiment.store.kept["run-1"].journal)
    assert not where.guest_is_back
    assert where.state == "interrupted"
    assert where.why == "a guest could not be put back"
    [left] = where.not_back
    assert (left.guest, left.reason) == ("bookings-1", "no route to host")
    assert left.by_hand == ("put-back /memory/run-1/before/bookings-1/definition",)
    assert experiment.store.kept["run-1"].sealed
    assert not any(isinstance(news, RunEnded) for news in experiment.heard.news), "which would say that it is back"


@pytest.mark.parametrize("away", [HostFault("no route to host", may_pass=True), RestoreError("gone", may_pass=True)])
def test_a_host_that_is_away_for_a_moment_does_not_keep_a_guest_from_being_put_back(mocker, away) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    before, restore = definition(experiment), experiment.hypervisor.restore
    answers = [away, away]

    def sometimes(saved) -> None:
        if answers:
            raise answers.pop()
        restore(saved)

    mocker.patch.object(experiment.hypervisor, "restore", side_effect=sometimes)
    experiment.go()
    assert definition(experiment) == before
    assert progress(experiment.store.kept["run-1"].journal).guest_is_back


def test_a_host_that_stays_away_is_given_up_within_a_minute(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    began = []

    def away(_saved) -> None:
        began.append(experiment.clock.monotonic())
        raise RestoreError("gone", may_pass=True)

    mocker.patch.object(experiment.hypervisor, "restore", side_effect=away)
    with pytest.raises(RestoreError, match=r"NOT PUT BACK: guest 'bookings-1' .*gone"):
        experiment.go()
    assert len(began) > 2
    assert began[-1] - began[0] < 60


def test_a_defect_of_ours_costs_its_trial_and_not_the_night(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    real = experiment.hypervisor.guest_root
    mocker.patch.object(experiment.hypervisor, "guest_root", side_effect=[ZeroDivisionError("oops"), *[real()] * 1000])
    records = experiment.go()
    assert (records[0].outcome, records[0].fault) == ("failed", "internal")
    assert "ZeroDivisionError" in records[0].reason
    assert any("Traceback" in str(event.detail) for event in experiment.store.kept["run-1"].journal)
    assert [record.outcome for record in records[1:]] == ["measured"] * 3


def test_a_guest_that_was_running_is_running_again_and_one_that_was_off_stays_off() -> None:
    for running in (True, False):
        experiment = Experiment(plan(design={"blocks": 1}), lab(defined={"running": running}))
        experiment.go()
        assert experiment.hypervisor.describe().running is running


def test_the_last_news_tell_how_it_ended() -> None:
    faults = [{"kind": "does-not-boot", "trial": 2}]
    experiment = Experiment(plan(design={"blocks": 1}), lab(faults=faults))
    experiment.go()
    end = experiment.heard.news[-1]
    assert isinstance(end, RunEnded)
    assert (end.state, end.failed) == ("done", 1)
    assert sum(isinstance(news, TrialEnded) for news in experiment.heard.news) == 4
    assert not [news for news in experiment.heard.news if isinstance(news, Notice)]


def test_a_night_of_120_trials_passes_in_under_a_minute() -> None:
    night = plan(
        design={"blocks": 30},
        measure={
            "warm-up": {"at-least": "20 s", "at-most": "3 min"},
            "steady": {"at-least": "4 min", "at-most": "5 min"},
        },
    )
    experiment = Experiment(night, lab())
    began = time.process_time()  # however busy the machine is
    records = experiment.go()
    assert len(records) == 120
    assert time.process_time() - began < 60
    assert experiment.clock.monotonic() > 9 * 3600


def test_nobody_can_insist_any_more_once_the_guest_is_being_put_back(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    before, restore, held_off = definition(experiment), experiment.hypervisor.restore, []

    def watched(saved) -> None:
        held_off.append(experiment.heard.held_off)
        restore(saved)

    mocker.patch.object(experiment.hypervisor, "restore", side_effect=watched)
    experiment.go()
    assert held_off == [True]
    assert definition(experiment) == before


def test_an_interrupt_at_the_last_moment_does_not_keep_the_guest_from_being_put_back() -> None:
    class AtTheLastMoment(Heard):
        def hold_off(self) -> None:
            raise KeyboardInterrupt

    experiment = Experiment(plan(design={"blocks": 1}), lab(), heard=AtTheLastMoment())
    before = definition(experiment)
    with pytest.raises(KeyboardInterrupt):
        experiment.go()
    assert definition(experiment) == before
    assert progress(experiment.store.kept["run-1"].journal).guest_is_back


def test_whatever_a_driver_raises_while_the_guest_is_put_back_its_owner_is_told_what_to_do(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    mocker.patch.object(experiment.hypervisor, "restore", side_effect=OSError("the library lost its socket"))
    mocker.patch.object(experiment.hypervisor, "by_hand", side_effect=OSError("and its memory"))
    with pytest.raises(RestoreError, match=r"NOT PUT BACK.*OSError: the library lost(?s:.*)/before/bookings-1/def"):
        experiment.go()
    failed = next(event for event in experiment.store.kept["run-1"].journal if event.event == "restore-failed")
    assert "Traceback" in failed.detail["defect"]


def test_a_journal_that_cannot_be_written_ends_the_run_and_is_not_called_a_defect(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    writer = experiment.writer()
    append, refused = writer.append, []

    def once_full(event) -> None:
        if event.event == "stage-started" and not refused:
            refused.append(event)
            raise StoreError("the disk is full")
        append(event)

    mocker.patch.object(writer, "append", side_effect=once_full)
    before = definition(experiment)
    with pytest.raises(StoreError, match="full"):
        experiment.go(writer)
    assert definition(experiment) == before
    assert not experiment.store.kept["run-1"].trials, "the trial can be run when the run is resumed"


def test_a_stage_that_failed_tells_how_often_it_was_tried() -> None:
    faults = [{"kind": "refuses-start", "trial": 1}]
    record = Experiment(plan(design={"blocks": 1}), lab(faults=faults)).go()[0]
    assert {stage.stage: stage.attempts for stage in record.stages} == {"reshape": 1, "start": 2, "stop": 1}


def test_a_launch_that_is_tried_again_leaves_one_offset_of_each_clock(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    parser, failures = experiment.bench.parser, [HostFault("busy for a moment", may_pass=True)]

    def fails_once(reader):
        if failures:
            raise failures.pop()
        return parser(reader)

    experiment.bench = dataclasses.replace(experiment.bench, parser=fails_once)
    record = experiment.go()[0]
    assert record.outcome == "measured"
    assert next(stage.attempts for stage in record.stages if stage.stage == "launch") == 2
    assert sorted((clock.machine, clock.when) for clock in record.clocks) == [
        ("guest", "after"),
        ("guest", "before"),
        ("host", "after"),
        ("host", "before"),
    ]


@pytest.mark.parametrize("error", [KeyboardInterrupt, ZeroDivisionError])
def test_a_trial_that_is_cut_off_leaves_no_login_open(error: type[BaseException], mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    shells, connect = [], experiment.bench.connector.connect

    def counted(access, *, machine, timeout_s):
        shells.append(connect(access, machine=machine, timeout_s=timeout_s))
        mocker.spy(shells[-1], "close")
        return shells[-1]

    mocker.patch.object(experiment.bench.connector, "connect", side_effect=counted)
    mocker.patch.object(experiment.hypervisor, "counters", side_effect=error)
    with contextlib.suppress(KeyboardInterrupt):
        experiment.go()
    assert shells
    assert all(shell.close.called for shell in shells)


def test_the_shape_of_another_run_is_not_kept_as_if_it_were_the_owners_definition(mocker) -> None:
    experiment = Experiment(plan(), lab())
    before = definition(experiment)
    shaped = dataclasses.replace(experiment.hypervisor.describe(), shaped_as="two")
    mocker.patch.object(experiment.hypervisor, "describe", return_value=shaped)
    with pytest.raises(UnreachableError, match="in shape two of another run, so nothing was changed"):
        experiment.go()
    assert definition(experiment) == before
