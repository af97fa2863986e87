"""A whole run: definitions are kept, neighbours started, trials run, and whatever happens all guests are put back."""

from __future__ import annotations

import traceback
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import estimate, surely
from orchestrator.core.design.trials import Trial, trials
from orchestrator.core.record.journal import Event, EventName, Look
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.enough import Blocks
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.keeping import Keeper, describe_first, raise_worst
from orchestrator.engine.neighbours import Neighbours
from orchestrator.engine.news import BlocksJudged, RunBegan, RunEnded, TrialBegan, TrialEnded
from orchestrator.engine.ports import RunWriter, SavedGuest, TrialData
from orchestrator.engine.run_trial import Diary, Surroundings, TrialRunner
from orchestrator.errors import InputError, Problem, StoreError, TrialbedError
from orchestrator.units import utc_text


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

    def go(self) -> list[TrialRecord]:
        """Run what is outstanding, in order.

        Returns:
            The records of the trials run now.

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
        saved = self._begin(outstanding)
        records: list[TrialRecord] = []
        state = "interrupted" if self._done else "not begun"
        try:
            diary = Diary(self._note, self._writer.keep_environment)
            around = Surroundings(self._host, self._neighbours)
            runner = TrialRunner(self._plan, self._bench, around, saved, diary)
            if outstanding:
                self._neighbours.begin()
            state = "interrupted"
            self._tell(blocks.look)
            for trial in outstanding:
                if self._bench.stop.requested:
                    break
                records.append(self._one(runner, trial))
                self._tell(blocks.after(records[-1]))
                if blocks.enough:
                    state = "done"
                    break
            else:
                state = "done"
        finally:
            try:
                self._bench.stop.hold_off()
            finally:  # whoever insists as that call begins can do so once only
                self._put_back(saved)
            self._end(state, records)
        return records

    def _begin(self, outstanding: Sequence[Trial]) -> SavedGuest:
        hypervisor, guest = self._bench.hypervisor, self._plan.guest
        description = describe_first(hypervisor, guest)
        resumed = self._writer.saved_guest(guest) is not None
        saved = self._keeper.keep(guest, hypervisor)
        self._note("run-resumed" if resumed else "run-started", None, {"outstanding": len(outstanding)})
        declared = self._lab.guests[guest]
        place = {"host": declared.host, "domain": declared.domain or guest}
        self._note("guest-saved", None, {"guest": guest, "running": saved.running} | place)
        self._neighbours.keep()
        time = estimate(self._plan, outstanding, self._bench.switch)
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
            record, data = runner.run(trial)
        except StoreError:
            raise  # what cannot be written cannot be gone on with, and is no defect
        except Exception as error:  # noqa: BLE001 - a defect of ours costs this trial, not the night; it is kept whole
            self._note("notice", trial.id, {"defect": traceback.format_exc()})
            record, data = _defect(trial, error, utc_text(self._bench.clock.now())), TrialData((), (), (), (), "")
        self._writer.keep_trial(record, data)
        self._note("trial-ended", trial.id, {"outcome": record.outcome, "reason": record.reason})
        self._bench.reporter.tell(TrialEnded(record))
        return record

    def _tell(self, look: Look | None) -> None:
        """A look at the evidence, for the journal and for whoever watches."""
        if look is not None:
            self._note("blocks-judged", None, asdict(look))
            self._bench.reporter.tell(BlocksJudged(look))

    def _put_back(self, saved: SavedGuest) -> None:
        """Put everything back, each whatever becomes of the others, and tell of the worst that went wrong."""
        errors: list[TrialbedError] = []
        try:
            errors += self._neighbours.end()
        finally:  # a defect among the neighbours must not cost the measured guest
            try:
                self._keeper.put_back(self._plan.guest, self._bench.hypervisor, saved)
            except TrialbedError as error:
                errors.append(error)
            self._host.close()
        raise_worst(errors)

    def _end(self, state: str, records: Sequence[TrialRecord]) -> None:
        ended: EventName = "run-ended" if state == "done" else "run-interrupted"
        self._note(ended, None, {})
        self._writer.seal()
        failed = sum(record.outcome == "failed" for record in records)
        self._bench.reporter.tell(RunEnded(self._writer.id, state, failed))

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
