"""What every store promises the engine, as one check: the folder and the memory both pass it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.journal import OPEN, Event, EventName, progress
from orchestrator.core.record.run import Environment, PlannedTrial, RunRecord
from orchestrator.core.record.trial import StageTime, TrialRecord
from orchestrator.engine.ports import Draft, Line, RunStore, RunWriter, SavedGuest, TrialData
from orchestrator.errors import StoreError
from orchestrator.testing.insist import insist, insist_raises

_STARTED = "2026-03-01T22:00:00Z"
_INPUTS = {"plan.yaml": b"title: ferry\r\n", "lab.yaml": b"hosts: {}\n# \xc3\xa9\n"}
_SAVED = SavedGuest({"guest.xml": b"<domain>\x00\xff</domain>\n"}, running=True)

#: Of a run that is being written: memory cannot be asked whether its process lives.
_OPEN = {"running", OPEN}


def check_store(make_store: Callable[[], RunStore]) -> None:
    """Check the whole contract of :class:`~orchestrator.engine.ports.RunStore` and its writers.

    Args:
        make_store: gives an empty store at each call.

    Raises:
        AssertionError: with the promise that was broken.
    """
    _empty(make_store())
    _ids(make_store())
    _life_of_a_run(make_store())
    _before_is_kept_once(make_store())
    _interrupted_and_resumed(make_store())
    _ends_before_the_last_trial(make_store())
    _trials_that_do_not_count(make_store())
    _a_process_that_died_in_the_middle(make_store())
    _lost_trials_are_missed(make_store())


def run_record(run: str, started_utc: str = _STARTED) -> RunRecord:
    """A record of a run of two trials."""
    return RunRecord(
        id=run,
        title="How many vCPUs does the bookings database need?",
        started_utc=started_utc,
        guest="bookings-1",
        guest_kind="simulated guest",
        hypervisor="simulated",
        order_rule="trialbed-order-1",
        seed=7,
        plan={"title": "ferry"},
        trials=tuple(
            PlannedTrial(id=trial_id(n), number=n, block=1, shape="one", workload="bookings", threads=n) for n in (1, 2)
        ),
        versions={"trialbed": "0.1.0"},
        inputs_sha256={},
    )


def trial_id(number: int) -> str:
    """The id of a trial of :func:`run_record`."""
    return f"{number:04d}-one-bookings-t{number}-b1"


def trial_record(number: int, reason: str = "steady") -> TrialRecord:
    """A record of a trial."""
    return TrialRecord(
        id=trial_id(number),
        number=number,
        block=1,
        shape="one",
        workload="bookings",
        threads=number,
        outcome="measured",
        reason=reason,
        started_utc=_STARTED,
        ended_utc=_STARTED,
        launched_monotonic_s=12.5,
        stages=(StageTime(stage="reshape", seconds=0.25, attempts=1),),
        clocks=(),
        workload_sha256={},
        seen_inside={"online": "0"},
        summary=None,
    )


def trial_data() -> TrialData:
    """Series of a trial."""
    samples = [Sample(t, 0.001, int(t * 1e9), {"vcpu.0.run_ns": int(t * 5e8), "load.1min": 0.5}) for t in (1.0, 2.0)]
    return TrialData(
        [{"time_s": 1.0, "value": 10}, {"time_s": 2.0, "value": 21.5}], samples, samples, samples, "a line\n"
    )


def _event(name: EventName, trial: str | None = None, **detail: object) -> Event:
    return Event(time_utc=_STARTED, event=name, trial=trial, detail=detail)


def _empty(store: RunStore) -> None:
    insist(store.list() == [], "a new store lists nothing")
    for wanted in ("last", "2026", ""):
        insist_raises(StoreError, partial(store.find, wanted), f"{wanted!r} is not found in an empty store")


def _ids(store: RunStore) -> None:
    first = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    second = store.create(run_record("20260301-ferry-aabb", "2026-03-02T22:00:00Z"), _INPUTS)
    twin = store.create(run_record("20260301-ferry-aaaa", "2026-03-03T22:00:00Z"), _INPUTS)
    insist(first.id == "20260301-ferry-aaaa", "a run has the id of its record where that is free")
    insist(len({first.id, second.id, twin.id}) == 3, "no two runs have the same id")
    insist([run.record.id for run in store.list()] == [first.id, second.id, twin.id], "runs are listed oldest first")
    insist(store.find(first.id).record.id == first.id, "a whole id finds its run, also where others begin with it")
    insist(store.find("20260301-ferry-aab").record.id == second.id, "an unambiguous beginning finds its run")
    insist(store.find("last").record.id == twin.id, "'last' is the youngest run")
    error = insist_raises(StoreError, lambda: store.find("20260301-ferry-a"), "an ambiguous beginning finds nothing")
    insist(first.id in str(error) and second.id in str(error), "and is told what there is")
    error = insist_raises(StoreError, lambda: store.find("1999"), "an unknown id finds nothing")
    insist("1999" in str(error), "and is named")
    _seal_all(first, second, twin)


def _life_of_a_run(store: RunStore) -> None:
    writer = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    insist(bool(writer.location), "a run has a place that can be told")
    insist(store.find("last").state in _OPEN, "a run without an end is running, or may be")
    writer.append(_event("run-started"))
    insist(store.environment(store.find("last")) is None, "no fingerprint is there before one is kept")
    writer.keep_environment(Environment(host={"kernel": "6.1"}, guest={"kernel": None}))
    kept = store.environment(store.find("last"))
    insist(kept is not None and kept.host == {"kernel": "6.1"}, "the fingerprint is read as kept")
    insist(store.find("last").trials == (), "no trial is there before one is kept")
    for number in (2, 1):
        writer.append(_event("trial-started", trial_id(number)))
        writer.keep_trial(trial_record(number), trial_data())
        writer.append(_event("trial-ended", trial_id(number)))
    stored = store.find("last")
    insist(
        [_bare(trial) for trial in stored.trials] == [trial_record(1), trial_record(2)],
        "trials are read as kept, by number",
    )
    writer.append(_event("restored"))
    writer.append(_event("run-ended"))
    writer.seal()
    stored = store.find("last")
    insist(stored.state == "done", "a run with an end is done")
    insist(stored.record == run_record(writer.id), "the record is read as it was written")
    insist(stored.location == writer.location, "reader and writer agree on the place")
    insist(store.problems() == [], f"a whole run has no problems; found {store.problems()}")
    insist_raises(StoreError, lambda: store.reopen(writer.id), "a run that is done is not opened again")


def _before_is_kept_once(store: RunStore) -> None:
    writer = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    insist(writer.saved_guest("bookings-1") is None, "nothing is kept before it is kept")
    writer.keep_before("bookings-1", _SAVED)
    writer.keep_before("bookings-1", _SAVED)
    changed = SavedGuest({"guest.xml": b"<domain/>"}, running=False)
    insist_raises(
        StoreError, lambda: writer.keep_before("bookings-1", changed), "the first definition is never overwritten"
    )
    insist(_same(writer.saved_guest("bookings-1"), _SAVED), "the definition is read byte for byte as first kept")
    writer.seal()


def _interrupted_and_resumed(store: RunStore) -> None:
    writer = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    writer.append(_event("run-started"))
    writer.keep_before("bookings-1", _SAVED)
    writer.append(_event("guest-saved"))
    writer.append(_event("trial-started", trial_id(1)))
    writer.keep_trial(trial_record(1), trial_data())
    writer.append(_event("trial-ended", trial_id(1)))
    writer.append(_event("restored"))
    writer.append(_event("run-interrupted"))
    writer.seal()
    insist(store.find("last").state == "interrupted", "an interrupted run is so called")
    stored, again, inputs = store.reopen("last")
    insist(dict(inputs) == _INPUTS, "the inputs are given back byte for byte")
    insist(again.id == writer.id and [t.id for t in stored.trials] == [trial_id(1)], "it goes on where it was")
    insist(_same(again.saved_guest("bookings-1"), _SAVED), "and knows the guest as it was before the run")
    again.append(_event("run-resumed"))
    insist(store.find("last").state in _OPEN, "a resumed run is running, or may be")
    again.keep_trial(trial_record(2), trial_data())
    again.append(_event("trial-ended", trial_id(2)))
    again.keep_trial(trial_record(1, "again"), trial_data())
    insist([t.reason for t in store.find("last").trials] == ["again", "steady"], "of two results the later one counts")
    again.append(_event("restored"))
    again.append(_event("run-ended"))
    again.seal()
    insist([t.id for t in store.find("last").trials] == [trial_id(1), trial_id(2)], "both parts make one run")
    insist(store.find("last").state == "done", "and it is done")


def _ends_before_the_last_trial(store: RunStore) -> None:
    for state in ("interrupted", "out of time", "given up"):
        writer = store.create(run_record(f"20260301-ferry-{state[:3]}"), _INPUTS)
        writer.append(_event("run-started"))
        writer.append(_event("run-interrupted", state=state, why=f"why it is {state}"))
        writer.seal()
        stored = store.find(writer.id)
        insist((stored.state, stored.why) == (state, f"why it is {state}"), f"a run ends {state}, with a reason")
        insist(not stored.complete and not stored.lost, "such a run is not complete, and has lost nothing")
        store.reopen(writer.id)[1].seal()


def _fill(draft: Draft) -> None:
    sample = trial_data().host[0]
    draft.sample("host", sample)
    draft.lines([Line("a line", 1.5)])


def _trials_that_do_not_count(store: RunStore) -> None:
    told: list[str] = []
    writer = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    writer.append(_event("trial-started", trial_id(1)))
    writer.discard(trial_id(1), "nothing was measured yet")
    insist(store.find("last").discarded == (), "a trial that left nothing is not put apart")
    for reason in ("the machine slept", "it slept again"):
        writer.append(_event("trial-started", trial_id(1)))
        _fill(writer.draft(trial_id(1), told.append))
        writer.discard(trial_id(1), reason)
        writer.append(_event("trial-discarded", trial_id(1), reason=reason))
    _fill(writer.draft(trial_id(1), told.append))
    writer.keep_trial(trial_record(1), trial_data())
    writer.append(_event("trial-ended", trial_id(1)))
    stored = store.find("last")
    apart = [(found.trial, found.reason) for found in stored.discarded]
    insist(
        apart == [(trial_id(1), "the machine slept"), (trial_id(1), "it slept again")],
        "what does not count is put apart with its reason, once for each time",
    )
    insist([t.id for t in stored.trials] == [trial_id(1)], "and is no trial of the run")
    insist(store.problems() == [] and told == [], "the draft of a trial that is kept goes, and nothing is amiss")
    writer.seal()


def _a_process_that_died_in_the_middle(store: RunStore) -> None:
    writer = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    writer.append(_event("trial-started", trial_id(1)))
    writer.keep_trial(trial_record(1), trial_data())
    writer.append(_event("trial-ended", trial_id(1)))
    writer.append(_event("trial-started", trial_id(2)))
    _fill(writer.draft(trial_id(2), lambda _text: None))
    _, again, _ = store.reopen("last")
    stored = store.find("last")
    insist([found.trial for found in stored.discarded] == [trial_id(2)], "the trial in hand is put apart")
    events = store.journal(stored)
    insist(
        (events[-1].event, events[-1].trial) == ("trial-discarded", trial_id(2)), "and the journal says so when it is"
    )
    insist(progress(events).in_hand is None, "nothing is in hand then")
    insist([t.id for t in stored.trials] == [trial_id(1)], "what had ended stays")
    again.keep_trial(trial_record(2), trial_data())
    again.append(_event("trial-ended", trial_id(2)))
    again.append(_event("restored"))
    again.append(_event("run-ended"))
    again.seal()
    insist(store.find("last").complete, "and the run comes to its end")


def _lost_trials_are_missed(store: RunStore) -> None:
    writer = store.create(run_record("20260301-ferry-aaaa"), _INPUTS)
    for number in (1, 2):
        writer.append(_event("trial-started", trial_id(number)))
        if number == 1:
            writer.keep_trial(trial_record(number), trial_data())
        writer.append(_event("trial-ended", trial_id(number)))
    writer.append(_event("restored"))
    writer.append(_event("run-ended"))
    writer.seal()
    stored = store.find("last")
    insist(stored.lost == (trial_id(2),), "a trial that ended and is not there is lost")
    insist([run.lost for run in store.list()] == [stored.lost], "which a listing tells as well")
    insist(not stored.complete, "a run that lost a trial is not complete")
    again = store.reopen("last")[1]
    again.append(_event("run-resumed"))
    again.keep_trial(trial_record(2), trial_data())
    again.append(_event("trial-ended", trial_id(2)))
    again.append(_event("restored"))
    again.append(_event("run-ended"))
    again.seal()
    insist(store.find("last").complete, "and is once that trial was run again")
    insist_raises(StoreError, lambda: store.reopen("last"), "and is not opened again then")


def _bare(trial: TrialRecord) -> TrialRecord:
    """A record without the digests that a store may add."""
    return trial.model_copy(update={"files": {}})


def _same(one: SavedGuest | None, other: SavedGuest) -> bool:
    return one is not None and dict(one.files) == dict(other.files) and one.running == other.running


def _seal_all(*writers: RunWriter) -> None:
    for writer in writers:
        writer.seal()
