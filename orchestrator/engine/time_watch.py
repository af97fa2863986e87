"""The time of a run: what is left of it, whether a further trial fits, and what the clocks of this machine did.

Three clocks are compared. Boot time runs on while the machine sleeps, the monotonic clock stands then; neither is ever
set. The wall clock is, and where it moved against boot time somebody corrected it. Trials are measured by the monotonic
clock, so a step of the wall clock costs nothing; a sleep costs the trial in hand.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from orchestrator.core.design.plan import Plan
from orchestrator.core.design.time_limit import Pace, Took
from orchestrator.core.design.trials import Trial, trials
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine import stages
from orchestrator.engine.bench import Bench
from orchestrator.engine.cut_off import CutOffError
from orchestrator.engine.keeping import Note
from orchestrator.engine.news import Notice, TimePlanned
from orchestrator.engine.ports import Clock
from orchestrator.engine.stages import Stage
from orchestrator.units import Seconds, format_duration, utc_text

#: From so much on a difference between clocks is a sleep, or a step, and not the time between two readings of them.
_SLEPT_S: Seconds = 1.0
_STEPPED_S: Seconds = 2.0
#: Clocks are read anew when this much passed between the first and the last of them: the process was held meanwhile.
_READ_WITHIN_S: Seconds = 0.1
_READS = 5
#: What rounding may leave over of a time that is used up.
_NOTHING_S: Seconds = 0.01
_SWITCHING = (stages.STOP.name, stages.RESHAPE.name, stages.START.name)


@dataclass(frozen=True)
class _Clocks:
    """What boot time is ahead of the monotonic clock, and the wall clock of boot time."""

    asleep_s: Seconds
    wall_s: Seconds


class TimeWatch:
    """Knows how long trials take, and what time there is.

    Args:
        plan: what is run.
        bench: the world; its ``limit`` is kept to, and counts from now.
        note: the run's journal.
    """

    def __init__(self, plan: Plan, bench: Bench, note: Note) -> None:
        self._plan, self._bench, self._note = plan, bench, note
        self._pace = Pace(plan, bench.switch)
        self._unended = {trial.id: trial for trial in trials(plan)}
        self._began_s, self._trial_began_s = bench.clock.boottime(), bench.clock.monotonic()
        self._clocks = _read(bench.clock)
        self._block: int | None = None
        self._in_hand: str | None = None

    def begin(self, done: Iterable[TrialRecord]) -> None:
        """The run begins: these trials are finished already, and tell how long others will take."""
        for record in done:
            self._take_in(record, _whole_s(record))

    def planned(self) -> dict[str, object]:
        """The limit and the end that follows from it now, for the journal; empty where there is none."""
        limit, left_s = self._bench.limit, self.left_s()
        if not math.isfinite(left_s):
            return {}
        given = {"ends_utc": utc_text(self._bench.clock.now() + left_s), "for_s": limit.for_s}
        given["until_utc"] = None if limit.until_s is None else utc_text(limit.until_s)
        return {key: value for key, value in given.items() if value is not None}

    def refusal(self, trial: Trial) -> str | None:
        """Why this trial is not begun any more; ``None`` where there is time for it, and its time runs from now."""
        self._in_hand = None
        self._compare()
        left_s = self.left_s()
        if math.isfinite(left_s):
            rest = [each for each in self._unended.values() if each.block == trial.block]
            why = self._pace.refusal(trial, rest, left_s, begun=self._block == trial.block)
            if why is not None:
                return f"the run was to end by {self._end(left_s)}; {why}; {self._standing()}"
            if self._block != trial.block:
                self._tell_plan(trial.block, rest, left_s)
        self._block, self._in_hand = trial.block, trial.id
        self._trial_began_s = self._bench.clock.monotonic()
        return None

    def look(self) -> None:
        """Between the stages of a trial, and at each step of its observation.

        Raises:
            CutOffError: the machine slept, so that the trial is worthless; or the guest has to be put back now.
        """
        self.insist_awake()
        left_s = self.left_s()
        if left_s - self._pace.back_s <= _NOTHING_S:
            raise CutOffError(
                f"the run was to end by {self._end(left_s)}; trial {self._in_hand} was cut off, since the guest had to "
                f"be put back by then; {self._standing()}",
                again=False,
            )

    def insist_awake(self) -> None:
        """The same where the trial is not to be cut off any more: its measurement is over.

        Raises:
            CutOffError: the machine slept, so that the trial is worthless.
        """
        slept_s = self._compare()
        if slept_s and self._in_hand is not None:
            raise CutOffError(f"this machine slept for {format_duration(slept_s)} in the middle of it", again=True)

    def within(self, stage: Stage) -> Stage:
        """A stage that waits no longer than there is time before the guest has to be put back."""
        if stage.limit_s is None or stage.name == stages.STOP.name:
            return stage
        room_s = self.left_s() - self._pace.back_s
        return stage if room_s >= stage.limit_s else replace(stage, limit_s=max(room_s, 0.0))

    def ended(self, record: TrialRecord) -> None:
        """Take in how long a trial took, without what the machine slept after its measurement: no other will."""
        self._take_in(record, self._bench.clock.monotonic() - self._trial_began_s)
        self._in_hand = None

    def left_s(self) -> Seconds:
        """Seconds to the end of the run's time, never negative; without end where it has no limit."""
        clock, limit = self._bench.clock, self._bench.limit
        left = math.inf
        if limit.until_s is not None:
            left = limit.until_s - clock.now()
        if limit.for_s is not None:
            left = min(left, self._began_s + limit.for_s - clock.boottime())
        return max(left, 0.0)

    # ------------------------------------------------------------------------------------------------- the clocks

    def _compare(self) -> Seconds:
        """Notice what the clocks did since the last look; returns the seconds that the machine slept."""
        seen, before = _read(self._bench.clock), self._clocks
        slept_s, step_s = seen.asleep_s - before.asleep_s, seen.wall_s - before.wall_s
        slept, stepped = slept_s > _SLEPT_S, abs(step_s) > _STEPPED_S
        # What is too little to be told is kept, so that many small steps become one in the end.
        self._clocks = _Clocks(seen.asleep_s if slept else before.asleep_s, seen.wall_s if stepped else before.wall_s)
        if slept:
            self._note("slept", self._in_hand, {"seconds": round(slept_s, 3)})
            self._tell(f"this machine slept for {format_duration(slept_s)}{self._so_it_ends()}")
        if stepped:
            self._note("clock-stepped", self._in_hand, {"by_s": round(step_s, 3)})
            way = "forward" if step_s > 0 else "back"
            self._tell(
                f"the clock of this machine was set {way} by {format_duration(abs(step_s))}; measurements are by a "
                f"clock that is never set, and stand{self._so_it_ends()}"
            )
        return slept_s if slept else 0.0

    def _so_it_ends(self) -> str:
        left_s, limit = self.left_s(), self._bench.limit
        if not math.isfinite(left_s):
            return ""
        by_length = limit.until_s is None or left_s < limit.until_s - self._bench.clock.now()
        counts = "its length counts, whatever the clock shows" if by_length else "the clock as it is now counts"
        return f"; the run {self._ends(left_s)} ({counts})"

    # -------------------------------------------------------------------------------------------------- the words

    def _tell(self, text: str) -> None:
        self._bench.reporter.tell(Notice(text))

    def _tell_plan(self, block: int, rest: Sequence[Trial], left_s: Seconds) -> None:
        up_to_s = math.fsum(self._pace.expected_s(trial.cell) for trial in rest)
        told = TimePlanned(self._end(left_s), left_s, block, self._plan.design.most_blocks, len(rest), up_to_s)
        self._bench.reporter.tell(told)

    def _end(self, left_s: Seconds) -> str:
        return self._bench.local_time(round(self._bench.clock.now() + left_s))

    def _ends(self, left_s: Seconds) -> str:
        within = f", in {format_duration(round(left_s))}" if left_s >= 1 else ""
        return f"ends by {self._end(left_s)}{within}"

    def _standing(self) -> str:
        """``4 of 12 blocks are whole, 62 trials are missing``."""
        blocks = self._plan.design.most_blocks
        at_most = "at most " if self._plan.design.until_decided else ""
        whole = blocks - len({trial.block for trial in self._unended.values()})
        missing = len(self._unended)
        trials_are = "1 trial is" if missing == 1 else f"{missing} trials are"
        return (
            f"{whole} of {at_most}{blocks} blocks {'is' if whole == 1 else 'are'} whole, {at_most}{trials_are} missing"
        )

    def _take_in(self, record: TrialRecord, seconds: Seconds) -> None:
        self._unended.pop(record.id, None)
        taken = {stage.stage: stage.seconds for stage in record.stages}
        known = all(name in taken for name in _SWITCHING)
        self._pace = self._pace.after(
            Took(
                cell=(record.shape, record.workload, record.threads),
                seconds=seconds,
                measured=record.outcome != "failed",
                switching_s=math.fsum(taken[name] for name in _SWITCHING) if known else None,
            )
        )


def _whole_s(record: TrialRecord) -> Seconds:
    if record.seconds is not None:
        return record.seconds
    return math.fsum(stage.seconds for stage in record.stages)


def _read(clock: Clock) -> _Clocks:
    """Read the clocks as one: again where the process was held between two of them."""
    for _ in range(_READS):
        first = clock.monotonic()
        boot, wall = clock.boottime(), clock.now()
        if clock.monotonic() - first <= _READ_WITHIN_S:
            break
    return _Clocks(boot - first, wall - boot)
