"""A whole run: definitions are kept, neighbours started, trials run, and whatever happens all guests are put back."""

from __future__ import annotations

import traceback
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import estimate, surely
from orchestrator.core.design.trials import Trial, trials
from orchestrator.core.record.journal import NOT_BACK, Event, EventName, Look
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.cut_off import CutOffError
from orchestrator.engine.enough import Blocks
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.keeping import Keeper, describe_first, place_of, raise_worst
from orchestrator.engine.neighbours import Neighbours
from orchestrator.engine.news import BlocksJudged, Notice, RunBegan, RunEnded, TrialBegan, TrialEnded
from orchestrator.engine.ports import Draft, RunWriter, SavedGuest, TrialData
from orchestrator.engine.run_trial import Diary, Surroundings, TrialRunner
from orchestrator.engine.stages import QUIET
from orchestrator.engine.time_watch import TimeWatch
from orchestrator.errors import InputError, Problem, RestoreError, StoreError, TrialbedError
from orchestrator.units import utc_text

#: A trial whose measurement became worthless through no fault of its own is run anew so often at most.
_TRIES_OF_A_TRIAL = 3


@dataclass(frozen=True)
class Outcome:
    """What a run came to.

    Attributes:
        state: ``done``, ``interrupted``, ``out of time`` or ``given up``.
        why: what ended it before its last trial, in words; empty where nothing did.
        ended, failed: trials run now that have a record, and those of them without a measurement.
    """

    state: str
    why: str
    ended: int
    failed: int


class Run:
    """One execution of a plan on one guest.

    Args:
        plan, lab: the question and where it is asked; the guest has to be marked ``may-power-cycle``.
        bench: the world.
        writer: the run in the store.
        done: trials that are finished already, where a run is resumed.
    """

    def __init__(self, plan: Plan, lab: Lab, bench: Bench, writer: RunWriter, done: Iterable[TrialRecord] = ()) -> None:
        self._plan, self._lab, self._bench, self._writer = plan, lab, bench, writer
        self._trials, self._done = trials(plan), {record.id: record for record in done}
        self._host = HostWatch(bench)
        self._keeper = Keeper(writer, self._note, bench.clock)
        self._neighbours = Neighbours(plan, bench, self._keeper, self._note)
        self._time = TimeWatch(plan, bench, self._note)
        self._ended = self._failed = self._failed_in_a_row = 0
        self._state, self._why = "interrupted", ""

    def go(self) -> Outcome:
        """Run what is outstanding, in order.

        Returns:
            How it ended. The records of the trials are in the store.

        Raises:
            InputError: the guest may not be power-cycled. Nothing was touched.
            UnreachableError: the host did not answer, and nothing was touched; or a neighbour could not be started, and
                everything is as it was.
            RestoreError: a guest could not be put back; the message says what to do by hand.
            KeyboardInterrupt: somebody would not wait; the guest has been put back.
        """
        refuse_unmarked(self._plan, self._lab)
        blocks = Blocks(self._plan, self._trials, self._done)
        outstanding = [] if blocks.enough else [trial for trial in self._trials if trial.id not in self._done]
        if not self._done:
            self._state = "not begun"
        try:
            saved = self._begin(outstanding)
        except (KeyboardInterrupt, TrialbedError):  # nothing was changed yet
            with suppress(StoreError):
                self._end()
            raise
        try:
            diary = Diary(self._note, self._writer.keep_environment, self._draft)
            around = Surroundings(self._host, self._neighbours, self._time)
            runner = TrialRunner(self._plan, self._bench, around, saved, diary)
            if outstanding:
                self._neighbours.begin()
            self._state = "interrupted"
            self._tell(blocks.look)
            self._run(runner, outstanding, blocks)
        except TrialbedError as error:
            self._why = str(error)  # whoever looks in the morning may not have what was said at night
            raise
        finally:
            try:
                self._bench.stop.hold_off()
            finally:  # whoever insists as that call begins can do so once only
                self._close(saved)
        return Outcome(self._state, self._why, self._ended, self._failed)

    def _run(self, runner: TrialRunner, outstanding: Sequence[Trial], blocks: Blocks) -> None:
        """Run trials until there are none left, enough blocks have been seen, or something ends the run early."""
        self._time.begin(self._done.values())
        for trial in outstanding:
            if self._is_over(trial):
                return
            record = self._finished(runner, trial)
            if record is None:
                return
            self._tell(blocks.after(record))
            if blocks.enough:
                break
        self._state, self._why = "done", ""

    def _is_over(self, trial: Trial) -> bool:
        """Whether the run ends before this trial; why, is kept."""
        if self._bench.stop.requested:
            return True
        if (lost := self._bench.leases.lost) is not None:
            self._note("lease-lost", None, {"reason": lost})
            self._why = lost
            return True
        if (most := self._plan.give_up_after) <= self._failed_in_a_row:
            what = "a trial" if most == 1 else f"{most} trials in a row"
            self._state, self._why = "given up", f"{what} failed on guest {self._plan.guest!r}"
            self._note("guest-given-up", None, {"guest": self._plan.guest, "reason": self._why})
            return True
        if (late := self._time.refusal(trial)) is not None:
            self._out_of_time(late)
            return True
        return False

    def _out_of_time(self, why: str) -> None:
        self._state, self._why = "out of time", why
        self._note("time-up", None, {"reason": why})

    def _finished(self, runner: TrialRunner, trial: Trial) -> TrialRecord | None:
        """A trial's record; ``None`` where the run is to end without it."""
        for left in reversed(range(_TRIES_OF_A_TRIAL)):
            try:
                return self._one(runner, trial)
            except CutOffError as cut:
                self._discard(trial, str(cut))
                if not cut.again:
                    self._out_of_time(str(cut))
                    return None
                if not left:
                    self._why = f"trial {trial.id} was begun {_TRIES_OF_A_TRIAL} times: {cut}"
                elif self._is_over(trial):
                    return None
            except KeyboardInterrupt:
                self._discard(trial, "the run was stopped in the middle of it")
                raise
        return None

    def _draft(self, trial: str) -> Draft:
        return self._writer.draft(trial, lambda text: self._bench.reporter.tell(Notice(text)))

    def _discard(self, trial: Trial, reason: str) -> None:
        """Put what a trial that does not count has left apart."""
        self._writer.discard(trial.id, reason)
        self._note("trial-discarded", trial.id, {"reason": reason})
        self._bench.reporter.tell(Notice(f"{trial.id}: {reason}; what it had measured is kept apart"))

    def _begin(self, outstanding: Sequence[Trial]) -> SavedGuest:
        hypervisor, guest = self._bench.hypervisor, self._plan.guest
        description = describe_first(hypervisor, guest)
        resumed = self._writer.saved_guest(guest) is not None
        saved = self._keeper.keep(guest, hypervisor)
        beside = self._neighbours.keep()
        time = estimate(self._plan, outstanding, self._bench.switch)
        begun: dict[str, object] = {"outstanding": len(outstanding), "least_s": time.least_s, "most_s": time.most_s}
        self._note("run-resumed" if resumed else "run-started", None, begun | self._time.planned())
        self._note("leases-taken", None, {"leases": list(self._bench.leases.held)})
        for name, kept in {guest: saved, **beside}.items():  # the measured guest first: so it is known by its place
            self._note("guest-saved", None, {"guest": name, "running": kept.running} | place_of(self._lab, name))
        self._bench.reporter.tell(
            RunBegan(
                run=self._writer.id,
                location=self._writer.location,
                title=self._plan.title,
                kind=description.kind,
                trials=len(self._done) + len(outstanding),
                done=len(self._done),
                least_s=time.least_s,
                most_s=time.most_s,
                surely=len(self._done) + len(surely(self._plan, outstanding)),
            )
        )
        return saved

    def _one(self, runner: TrialRunner, trial: Trial) -> TrialRecord:
        self._note("trial-started", trial.id, {})
        self._bench.reporter.tell(TrialBegan(trial))
        try:
            record, data, failure = runner.run(trial)
            barred = failure is not None and failure.barred
        except (CutOffError, StoreError):
            raise  # what cannot be written cannot be gone on with; neither is a defect
        except Exception as error:  # noqa: BLE001 - a defect of ours costs this trial, not the night; it is kept whole
            self._note("notice", trial.id, {"defect": traceback.format_exc()})
            record, data = _defect(trial, error, utc_text(self._bench.clock.now())), TrialData((), (), (), (), "")
            barred = False
            self._writer.discard(trial.id, record.reason)  # what it had measured is evidence, and no result
        self._writer.keep_trial(record, data)
        self._note("trial-ended", trial.id, {"outcome": record.outcome, "reason": record.reason})
        self._bench.reporter.tell(TrialEnded(record, barred))
        self._count(record)
        return record

    def _count(self, record: TrialRecord) -> None:
        self._time.ended(record)
        self._ended += 1
        self._failed += record.outcome == "failed"
        if record.outcome != "failed":
            self._failed_in_a_row = 0
        elif record.failed_stage != QUIET.name:  # a host that is not quiet says nothing about the guest
            self._failed_in_a_row += 1

    def _tell(self, look: Look | None) -> None:
        """A look at the evidence, for the journal and for whoever watches."""
        if look is not None:
            self._note("blocks-judged", None, asdict(look))
            self._bench.reporter.tell(BlocksJudged(look))

    def _close(self, saved: SavedGuest) -> None:
        """Put everybody back and end the journal; a guest that is not back is told of, whatever else goes wrong."""
        try:
            self._put_back(saved)
        except RestoreError:
            self._state, self._why = "interrupted", NOT_BACK
            with suppress(StoreError):
                self._end()
            raise
        self._end()
        self._bench.reporter.tell(RunEnded(self._writer.id, self._state, self._failed, self._why))

    def _put_back(self, saved: SavedGuest) -> None:
        """Put everything back, each whatever becomes of the others, and tell of the worst that went wrong."""
        errors: list[TrialbedError] = []
        try:
            errors += self._neighbours.end()
        except Exception as error:  # noqa: BLE001 - a defect there must neither cost the measured guest nor go unsaid
            with suppress(StoreError):
                self._note("notice", None, {"defect": traceback.format_exc()})
            errors.append(
                RestoreError(
                    f"whether the guests of neighbours are back is not known ({type(error).__name__}: {error}); see: "
                    f"trialbed restore {self._writer.id} --check"
                )
            )
        try:
            self._keeper.put_back(self._plan.guest, self._bench.hypervisor, saved)
        except TrialbedError as error:
            errors.append(error)
        self._host.close()
        if any(isinstance(error, RestoreError) for error in errors):
            self._bench.leases.leave()  # who asks for them learns that a guest is not back, and from which run
        else:
            try:
                self._let_go()
            except StoreError as error:
                errors.append(error)
        raise_worst(errors)

    def _let_go(self) -> None:
        """Let others use guest and host; only once all is back, so that what is left tells of a guest that is not."""
        if (trouble := self._bench.leases.release()) is not None:
            self._bench.reporter.tell(Notice(trouble))
        self._note("leases-released", None, {} if trouble is None else {"trouble": trouble})

    def _end(self) -> None:
        if self._state == "done":
            self._note("run-ended", None, {})
        else:
            state = "interrupted" if self._state == "not begun" else self._state
            self._note("run-interrupted", None, {"state": state, "why": self._why})
        self._writer.seal()

    def _note(self, event: EventName, trial: str | None, detail: Mapping[str, object]) -> None:
        self._writer.append(
            Event(time_utc=utc_text(self._bench.clock.now()), event=event, trial=trial, detail=dict(detail))
        )


def refuse_unmarked(plan: Plan, lab: Lab) -> None:
    """Refuse guests that their owners have not marked: the measured one, and those that carry its neighbours.

    Raises:
        InputError: a guest is not marked ``may-power-cycle: true``.
    """
    does = dict.fromkeys(guests_of(plan.neighbours), "be started where it is off")
    does[plan.guest] = "be powered off and reconfigured"
    unmarked = [
        Problem(
            "lab",
            f"guests.{guest}.may-power-cycle",
            f"this guest would {what}, and it is not marked for that; if its owner agrees, write may-power-cycle: true",
        )
        for guest, what in does.items()
        if not lab.guests[guest].may_power_cycle
    ]
    if unmarked:
        raise InputError(unmarked)


def _defect(trial: Trial, error: Exception, now_utc: str) -> TrialRecord:
    return TrialRecord(
        id=trial.id,
        number=trial.number,
        block=trial.block,
        shape=trial.cell.shape.name,
        workload=trial.cell.workload.name,
        threads=trial.cell.threads,
        outcome="failed",
        fault="internal",
        reason=f"a defect in trialbed itself: {type(error).__name__}: {error}; the journal holds the details",
        started_utc=now_utc,
        ended_utc=now_utc,
        launched_monotonic_s=None,
        stages=(),
        clocks=(),
        workload_sha256={},
        seen_inside={},
        summary=None,
    )
