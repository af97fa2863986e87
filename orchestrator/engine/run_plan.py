"""A whole run: the guest's definition is kept, trials are run, and whatever happens the guest is put back."""

from __future__ import annotations

import traceback
from collections.abc import Mapping, Sequence

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import estimate
from orchestrator.core.design.trials import Trial, trials
from orchestrator.core.record.journal import Event, EventName
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.bench import Bench
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.news import RunBegan, RunEnded, TrialBegan, TrialEnded
from orchestrator.engine.ports import Description, Hypervisor, RunWriter, SavedGuest, TrialData
from orchestrator.engine.run_trial import TrialRunner
from orchestrator.errors import (
    InputError,
    Problem,
    RestoreError,
    StageError,
    StoreError,
    TrialbedError,
    UnreachableError,
)
from orchestrator.units import utc_text


class Run:
    """One execution of a plan on one guest.

    Args:
        plan, lab: the question and where it is asked; the guest has to be marked ``may-power-cycle``.
        bench: the world.
        writer: the run in the store.
        done: ids of trials that are finished already, where a run is resumed.
    """

    def __init__(
        self, plan: Plan, lab: Lab, bench: Bench, writer: RunWriter, done: frozenset[str] = frozenset()
    ) -> None:
        self._plan, self._lab, self._bench, self._writer = plan, lab, bench, writer
        self._trials, self._done = trials(plan), done
        self._host = HostWatch(bench)

    def go(self) -> list[TrialRecord]:
        """Run what is outstanding, in order.

        Returns:
            The records of the trials run now.

        Raises:
            InputError: the guest may not be power-cycled. Nothing was touched.
            UnreachableError: the host did not answer. Nothing was touched.
            RestoreError: the guest could not be put back; the message says what to do by hand.
            KeyboardInterrupt: somebody would not wait; the guest has been put back.
        """
        refuse_unmarked(self._lab, self._plan.guest)
        outstanding = [trial for trial in self._trials if trial.id not in self._done]
        saved = self._begin(outstanding)
        records: list[TrialRecord] = []
        state = "interrupted"
        try:
            runner = TrialRunner(self._plan, self._bench, self._host, self._note, self._writer.keep_environment)
            for trial in outstanding:
                if self._bench.stop.requested:
                    break
                records.append(self._one(runner, trial))
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
        saved = self._writer.saved_guest(guest)
        resumed = saved is not None
        if saved is None:
            try:
                saved = hypervisor.save()
            except StageError as error:
                raise UnreachableError(
                    f"the definition of guest {guest!r} could not be read, so nothing was changed: {error}"
                ) from error
            self._writer.keep_before(guest, saved)
        self._note("run-resumed" if resumed else "run-started", None, {"outstanding": len(outstanding)})
        self._note("guest-saved", None, {"guest": guest, "running": saved.running})
        time = estimate(self._plan, outstanding, self._bench.switch)
        self._bench.reporter.tell(
            RunBegan(
                run=self._writer.id,
                location=self._writer.location,
                title=self._plan.title,
                kind=description.kind,
                trials=len(self._trials),
                done=len(self._trials) - len(outstanding),
                least_s=time.least_s,
                most_s=time.most_s,
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

    def _put_back(self, saved: SavedGuest) -> None:
        """Put the guest back, even when the journal can no longer be written: that is told afterwards."""
        unwritten = self._try_note("restore-started", {"guest": self._plan.guest})
        try:
            self._bench.hypervisor.restore(saved)
        except Exception as error:  # whatever a driver raises, the guest's owner has to be told what to do
            known = isinstance(error, TrialbedError)
            reason = str(error) if known else f"{type(error).__name__}: {error}"
            self._try_note("restore-failed", {"reason": reason} | ({} if known else {"defect": traceback.format_exc()}))
            raise RestoreError(
                f"guest {self._plan.guest!r} could not be put back as it was: {reason}. "
                f"Its definition before the run is kept in {self._writer.location}/before: define it from there by hand"
            ) from error
        finally:
            self._host.close()
        unwritten = unwritten or self._try_note("restored", {"guest": self._plan.guest})
        if unwritten is not None:
            raise unwritten

    def _try_note(self, event: EventName, detail: Mapping[str, object]) -> StoreError | None:
        try:
            self._note(event, None, detail)
        except StoreError as error:
            return error
        return None

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


def describe_first(hypervisor: Hypervisor, guest: str) -> Description:
    """The first word with a guest's host, before anything is changed.

    Raises:
        UnreachableError: the host does not answer.
    """
    try:
        return hypervisor.describe()
    except StageError as error:
        raise UnreachableError(
            f"the host of guest {guest!r} could not be reached, so nothing was changed: {error}"
        ) from error


def refuse_unmarked(lab: Lab, guest: str) -> None:
    """Refuse a guest that its owner has not marked.

    Raises:
        InputError: the guest is not marked ``may-power-cycle: true``.
    """
    if not lab.guests[guest].may_power_cycle:
        raise InputError(
            [
                Problem(
                    "lab",
                    f"guests.{guest}.may-power-cycle",
                    "this guest would be powered off and reconfigured, and it is not marked for that; "
                    "if its owner agrees, write may-power-cycle: true",
                )
            ]
        )


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
