"""One trial, from reshape to stop: the stages in their order, each within its limit, and the record of the outcome."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Literal, TypeVar

from orchestrator.core.design.launching import Launch, launch
from orchestrator.core.design.neighbour import least_cpus
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import Trial
from orchestrator.core.measure.clock import Offset, best_offset
from orchestrator.core.measure.results import Check, ClockOffset, TrialSummary
from orchestrator.core.measure.summary import summarise
from orchestrator.core.record.run import Environment
from orchestrator.core.record.trial import StageTime, TrialRecord
from orchestrator.engine import stages
from orchestrator.engine.bench import Bench
from orchestrator.engine.bring_online import bring_online
from orchestrator.engine.differences import definition_digest
from orchestrator.engine.fingerprint import fingerprint
from orchestrator.engine.guest_login import GuestLogin
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.inside import PowerOn, verify
from orchestrator.engine.keeping import Note
from orchestrator.engine.neighbours import Neighbours
from orchestrator.engine.news import Notice, StageBegan
from orchestrator.engine.observation import Channels, Observation
from orchestrator.engine.ports import Draft, Process, Sampler, SavedGuest, Shell, TrialData
from orchestrator.engine.quiet import Quiet
from orchestrator.engine.silence import explained
from orchestrator.engine.stages import Remaining, Stage
from orchestrator.engine.time_watch import TimeWatch
from orchestrator.errors import GuestFault, HostFault, StageError, WorkloadFault
from orchestrator.units import Seconds, utc_text

T = TypeVar("T")
#: Exchanges of timestamps before and after: the smallest of twenty round trips is close to the smallest there is.
_EXCHANGES = 20
_STOP_WORKLOAD_WITHIN_S = 10.0
#: A guest that nobody could log in to hears no request to shut down either, as a rule.
_NEVER_LOGGED_IN_S = 20.0


_Machine = Literal["host", "guest"]
_When = Literal["before", "after"]
_MACHINES: tuple[_Machine, ...] = ("host", "guest")
_BEFORE_IT_RUNS = {stages.RESHAPE.name, stages.QUIET.name, stages.START.name}


@dataclass
class _Hold:
    """What a trial holds open, and what it has learnt so far."""

    guest: GuestLogin
    sampler: Sampler | None = None
    process: Process | None = None
    preparing: bool = False
    observation: Observation | None = None
    seen: dict[str, str] = field(default_factory=dict)
    checked: list[Check] = field(default_factory=list)
    times: list[StageTime] = field(default_factory=list)
    offsets: dict[tuple[_Machine, _When], Offset] = field(default_factory=dict)
    stage: str = ""
    began_s: Seconds = 0.0


@dataclass(frozen=True)
class Diary:
    """Where the runner writes down what it does, and what it learns of the machines."""

    note: Note
    keep_environment: Callable[[Environment], None]
    draft: Callable[[str], Draft]
    """Begins a draft of the trial of that id."""


@dataclass(frozen=True)
class Surroundings:
    """What is around the guest while it is measured: the host's own counters, the neighbours, and the time there is."""

    host: HostWatch
    neighbours: Neighbours
    time: TimeWatch


class TrialRunner:
    """Runs the trials of one plan on one guest, one after the other.

    Args:
        plan: how to measure.
        bench: the world.
        around: what is around the guest.
        saved: the guest as it was before the run, from which each shape is made.
        diary: where it is written down.
    """

    def __init__(
        self,
        plan: Plan,
        bench: Bench,
        around: Surroundings,
        saved: SavedGuest,
        diary: Diary,
    ) -> None:
        self._plan, self._bench, self._saved = plan, bench, saved
        self._host, self._neighbours, self._time = around.host, around.neighbours, around.time
        self._note, self._keep_environment, self._draft = diary.note, diary.keep_environment, diary.draft
        self._quiet = (
            Quiet(plan.quiet, bench, around.host, diary.note, around.time.look) if plan.quiet is not None else None
        )
        self._environment_kept = False
        self._last_boot_id: str | None = None

    def run(self, trial: Trial) -> tuple[TrialRecord, TrialData, StageError | None]:
        """Run one trial to its end, whatever that is; the guest is off afterwards wherever that can be reached.

        Returns:
            Its record, its series, and the failure of a stage that ended it, which is its outcome and not raised.
        """
        hold = _Hold(GuestLogin(self._bench))
        started_s, hold.began_s = self._bench.clock.now(), self._bench.clock.monotonic()
        failure: StageError | None = None
        try:
            self._stages(trial, hold)
        except StageError as error:
            failure = error if hold.stage in _BEFORE_IT_RUNS else explained(error, self._bench)
            self._note("stage-failed", trial.id, {"stage": hold.stage, "reason": str(failure)})
            if isinstance(failure, GuestFault):
                hold.guest.close()  # a guest that does not answer is asked nothing more: each question takes its time
        except BaseException:  # an interrupt, a full disk, a defect: the next trial must not find this one's login open
            hold.guest.close()
            raise
        failed_stage = hold.stage if failure is not None else None
        try:
            self._run_stage(stages.STOP, trial, hold, lambda left: self._stop(hold, left))
        except StageError as error:
            # The measurement stands; that the guest did not go off in order is told and met again by the next reshape.
            self._note("stage-failed", trial.id, {"stage": "stop", "reason": str(error)})
            self._bench.reporter.tell(Notice(f"{trial.id}: {error}"))
        return self._record(trial, hold, started_s, failure, failed_stage), self._data(hold), failure

    # ------------------------------------------------------------------------------------------------- the stages

    def _stages(self, trial: Trial, hold: _Hold) -> None:
        shape, bench = trial.cell.shape, self._bench
        start = launch(trial.cell)
        self._run_stage(stages.RESHAPE, trial, hold, lambda left: self._reshape(trial, left))
        if (quiet := self._quiet) is not None:
            check = self._run_stage(stages.QUIET, trial, hold, lambda _left: quiet.wait(trial.id))
            hold.checked.append(check)
        power_on = PowerOn(bench.clock, bench.clock.monotonic(), self._last_boot_id)
        self._run_stage(stages.START, trial, hold, lambda _left: bench.hypervisor.start())
        guest = self._run_stage(stages.LOG_IN, trial, hold, hold.guest.open)
        root = bench.hypervisor.guest_root()
        if shape.reshape == "live":
            self._run_stage(stages.PLUG, trial, hold, lambda _left: self._plug(trial, guest, root))

        def on_login(action: Callable[[Shell, Remaining], T]) -> Callable[[Remaining], T]:
            return hold.guest.using(action, hold.seen, lambda: hold.preparing or hold.process is not None)

        hold.seen = self._run_stage(
            stages.VERIFY,
            trial,
            hold,
            on_login(lambda login, left: verify(login, root, shape, left(), power_on)),
        )
        self._last_boot_id = hold.seen.get("boot_id")
        deploy = on_login(lambda login, left: self._deploy(trial, hold, login, start, left))
        self._run_stage(stages.DEPLOY, trial, hold, deploy)
        if self._plan.neighbours:
            self._run_stage(stages.NEIGHBOURS, trial, hold, lambda left: self._neighbours.insist(trial.id, left))
        launching = on_login(lambda login, _left: self._launch(trial, hold, login, start))
        observation = self._run_stage(stages.LAUNCH, trial, hold, launching)
        self._run_stage(stages.WARM_UP, trial, hold, lambda _left: observation.warm_up())
        self._run_stage(stages.MEASURE, trial, hold, lambda _left: self._measure(observation))

    def _run_stage(self, stage: Stage, trial: Trial, hold: _Hold, action: Callable[[Remaining], T]) -> T:
        hold.stage = stage.name
        self._look(stage)
        self._note("stage-started", trial.id, {"stage": stage.name})
        self._bench.reporter.tell(StageBegan(stage.name))
        began_s = self._bench.clock.monotonic()
        tries = 0

        def once(left: Remaining) -> T:
            nonlocal tries
            tries += 1
            return action(left)

        def again(number: int, error: StageError) -> None:
            self._bench.reporter.tell(StageBegan(stage.name, number, str(error)))

        try:
            jitter = stages.jitter(self._plan.guest, trial.id, stage.name)
            answer = stages.attempt(self._time.within(stage), once, self._bench.clock, again, jitter)
        except StageError:
            self._look(stage)  # what the end of the time cut short, or a sleep, is no failure of the stage
            raise
        finally:
            hold.times.append(
                StageTime(stage=stage.name, seconds=self._bench.clock.monotonic() - began_s, attempts=tries)
            )
        if stage is stages.MEASURE:
            self._time.insist_awake()
        self._note("stage-ended", trial.id, {"stage": stage.name})
        return answer

    def _look(self, stage: Stage) -> None:
        if stage is not stages.STOP:  # whatever the time, that a guest is stopped is part of putting it back
            self._time.look()

    def _reshape(self, trial: Trial, left: Remaining) -> None:
        hypervisor = self._bench.hypervisor
        if hypervisor.describe().running:
            hypervisor.stop(left())
        hypervisor.reshape(trial.cell.shape, self._saved)
        self._note_definition(trial)

    def _note_definition(self, trial: Trial) -> None:
        """How the run has defined the guest: after a kill, who has edited it since is told by this."""
        if self._bench.marks:
            digest = definition_digest(self._bench.hypervisor.save())
            self._note("guest-defined", trial.id, {"guest": self._plan.guest, "sha256": digest})

    def _plug(self, trial: Trial, guest: Shell, root: str) -> None:
        self._bench.hypervisor.plug()
        self._note_definition(trial)
        bring_online(guest, root, trial.cell.shape.vcpus, self._bench.clock)

    def _deploy(self, trial: Trial, hold: _Hold, guest: Shell, start: Launch, left: Remaining) -> None:
        load = self._bench.loads[trial.cell.workload.name]
        guest.put(load.files, start.folder)
        if start.prepare is None:
            return
        hold.preparing = True
        done = guest.run(start.prepare, timeout_s=left(), folder=start.folder)
        hold.preparing = False
        if done.status != 0:
            said = (done.errors.strip() or done.output.strip())[-300:]
            raise WorkloadFault(f"preparing the workload ended with exit status {done.status}: {said}")

    def _launch(self, trial: Trial, hold: _Hold, guest: Shell, start: Launch) -> Observation:
        self._let_go(hold)
        root = self._bench.hypervisor.guest_root()
        hold.sampler = self._bench.samplers.open(guest, machine="guest", root=root)
        self._host.ready()
        self._fingerprint(guest, root)
        self._clock_offsets(hold, "before")
        hold.process = guest.start(start.command, folder=start.folder)
        before, draft = hold.offsets.get(("guest", "before")), self._draft(trial.id)
        channels = Channels(hold.process, hold.sampler, self._host, before, draft)
        hold.observation = Observation(self._plan, trial.cell, self._bench, channels, self._time.look)
        hold.observation.begin()
        return hold.observation

    def _measure(self, observation: Observation) -> None:
        observation.measure()
        self._neighbours.vouch()

    def _fingerprint(self, guest: Shell, root: str) -> None:
        """Keep the facts of both machines once a run: at the first trial whose guest can be logged in to."""
        if not self._environment_kept:
            self._keep_environment(fingerprint(self._bench, self._host, guest, root, self._saved))
            self._environment_kept = True

    def _clock_offsets(self, hold: _Hold, when: _When) -> None:
        if host := self._host.exchanges(_EXCHANGES):
            hold.offsets["host", when] = best_offset(host)
        if (sampler := hold.sampler) is not None:
            hold.offsets["guest", when] = best_offset([sampler.exchange() for _ in range(_EXCHANGES)])

    # --------------------------------------------------------------------------------------------------- the end

    def _let_go(self, hold: _Hold) -> None:
        """End workload and sampler; a launch that is tried again begins from nothing."""
        process, sampler = hold.process, hold.sampler
        hold.process = hold.sampler = None
        if process is not None:
            with suppress(StageError):
                process.stop(_STOP_WORKLOAD_WITHIN_S)
        if sampler is not None:
            with suppress(StageError):
                sampler.close()

    def _stop(self, hold: _Hold, left: Remaining) -> None:
        try:
            if hold.observation is not None:
                with suppress(StageError):  # a guest that has fallen silent has no clock to ask
                    self._clock_offsets(hold, "after")
            self._let_go(hold)
        finally:
            hold.guest.close()
            self._switch_off(hold, left)

    def _switch_off(self, hold: _Hold, left: Remaining) -> None:
        stop = self._bench.hypervisor.stop
        if hold.guest.ever:
            stop(left())
            return
        try:
            stop(min(left(), _NEVER_LOGGED_IN_S))  # where the lab allows force, it is used at the end of this
        except GuestFault:
            stop(left())

    def _record(
        self, trial: Trial, hold: _Hold, started_s: Seconds, failure: StageError | None, failed_stage: str | None
    ) -> TrialRecord:
        summary = self._summary(trial, hold) if failure is None else None
        outcome: Literal["measured", "unsteady", "failed"] = "failed"
        reason = str(failure) if failure is not None else ""
        if summary is not None:
            outcome, reason = ("measured" if summary.steady else "unsteady"), summary.reason
        return TrialRecord(
            id=trial.id,
            number=trial.number,
            block=trial.block,
            shape=trial.cell.shape.name,
            workload=trial.cell.workload.name,
            threads=trial.cell.threads,
            outcome=outcome,
            failed_stage=failed_stage,
            fault=_fault(failure),
            reason=reason,
            started_utc=utc_text(started_s),
            ended_utc=utc_text(self._bench.clock.now()),
            seconds=self._bench.clock.monotonic() - hold.began_s,
            launched_monotonic_s=hold.observation.launched_s if hold.observation is not None else None,
            stages=tuple(hold.times),
            clocks=tuple(
                ClockOffset(
                    machine=machine,
                    when=when,
                    offset_s=best.offset_s,
                    uncertainty_s=best.uncertainty_s,
                    exchanges=best.exchanges,
                    at_s=best.at_s,
                )
                for (machine, when), best in hold.offsets.items()
            ),
            workload_sha256=dict(self._bench.loads[trial.cell.workload.name].sha256),
            seen_inside=hold.seen,
            summary=summary,
        )

    def _summary(self, trial: Trial, hold: _Hold) -> TrialSummary | None:
        observation = hold.observation
        if observation is None:
            return None
        return summarise(
            throughput=observation.series(hold.offsets.get(("guest", "after"))),
            vcpu=observation.vcpu_samples,
            host=observation.host_samples,
            guest=observation.guest_samples,
            launched_s=observation.launched_s,
            rules=self._plan.measure,
            confidence=self._plan.decide.confidence,
            vcpus=trial.cell.shape.vcpus,
            clocks={m: (hold.offsets.get((m, "before")), hold.offsets.get((m, "after"))) for m in _MACHINES},
            output_problems=observation.problems(),
            neighbour_cpus=least_cpus(self._plan.neighbours),
            checked=hold.checked,
        )

    def _data(self, hold: _Hold) -> TrialData:
        observation = hold.observation
        if observation is None:
            return TrialData((), (), (), (), "")
        after = hold.offsets.get(("guest", "after"))
        rows = [{"time_s": r.time_s, "value": r.value} for r in observation.readings(after)]
        return TrialData(
            rows, observation.host_samples, observation.guest_samples, observation.vcpu_samples, observation.log()
        )


def _fault(failure: StageError | None) -> Literal["host", "guest", "workload"] | None:
    match failure:
        case HostFault():
            return "host"
        case GuestFault():
            return "guest"
        case WorkloadFault():
            return "workload"
        case _:
            return None
