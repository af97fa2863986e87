"""Where a run stands, from what its folder tells and nothing else: while it runs, once it has ended, after a crash."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from orchestrator.core.record.alive import Alive
from orchestrator.core.record.journal import Event, Look, NotBack, Progress, progress
from orchestrator.core.record.run import PlannedTrial, RunRecord, needed
from orchestrator.units import Seconds, utc_seconds

#: Of the trials that were not measured, as many of the last ones are named.
_REASONS_SHOWN = 3


@dataclass(frozen=True)
class Glance:
    """What a run's folder holds at one moment, without the trials themselves.

    Attributes:
        state: as :class:`orchestrator.core.record.run.StoredRun` has it.
        heard_utc: the last sign of life of a run whose journal has no end.
        alive: what its process last said, if it has not taken that away.
        now_s: the wall clock of whoever looks.
    """

    record: RunRecord
    location: str
    state: str
    heard_utc: str
    alive: Alive | None
    events: Sequence[Event]
    now_s: Seconds


@dataclass(frozen=True)
class InHand:
    """The trial in hand.

    Attributes:
        number: among all planned trials, from 1.
        stage: the stage in hand; empty where none has begun.
        for_s: since when; ``None`` where nobody tells.
        rate_per_s: throughput as last read.
        recent: the last readings, the oldest first, each with whether it was steady.
        said: what it waits for or does, in words.
    """

    id: str
    number: int
    block: int
    stage: str
    for_s: Seconds | None
    rate_per_s: float | None
    recent: tuple[tuple[float, bool], ...]
    said: str


@dataclass(frozen=True)
class Status:
    """Where a run stands.

    Attributes:
        state: ``running``, ``crashed``, ``done``, ``interrupted``, ``out of time``, ``given up``, or ``not put back``
            where its process ended with a guest that could not be put back.
        why: what ended it before its last trial, in words.
        heard_utc, heard_s: the last sign of life, and how long ago that was, of a run whose journal has no end.
        ended, planned: trials; planned ones that a decision made needless are left out.
        blocks, whole_blocks: planned, and those of which every trial has ended.
        outcomes: how many trials were ``measured``, ``unsteady`` and ``failed``.
        put_apart: trials that were begun and do not count; what they left is kept apart.
        reasons: of the last trials that were not measured: id, outcome and reason.
        spent_s: time that the run was at work, over all its sittings.
        left: least and most time that the rest takes, as far as trials seen tell; ``None`` where nothing is left, or
            nothing is known.
        ends_utc: when the run ends by its time limit; empty where it has none.
        guest_back: whether all guests are as they were before the run.
        leases: those that the run holds, as its journal has it.
        next_step: what to do, as a command or in words; empty where nothing is to be done.
    """

    run: str
    title: str
    guest: str
    guest_kind: str
    location: str
    began_utc: str
    state: str
    why: str
    heard_utc: str
    heard_s: Seconds | None
    trial: InHand | None
    ended: int
    planned: int
    whole_blocks: int
    blocks: int
    outcomes: Mapping[str, int]
    put_apart: int
    reasons: tuple[tuple[str, str, str], ...]
    look: Look | None
    spent_s: Seconds
    left: tuple[Seconds, Seconds] | None
    ends_utc: str
    guest_back: bool
    not_back: tuple[NotBack, ...]
    leases: tuple[str, ...]
    next_step: str

    @property
    def over(self) -> bool:
        """Whether nothing more happens by itself."""
        return self.state != "running"


class Journal:
    """A journal that is looked at again and again: only what it has gained since the last look is worked on."""

    def __init__(self) -> None:
        self._taken = 0
        self.where, self.story = progress(()), _Story()

    def take(self, events: Sequence[Event]) -> None:
        """Take in a journal that begins with what was taken in before; a shorter one is another one."""
        if len(events) < self._taken:
            self._taken, self.story = 0, _Story()
        if len(events) > self._taken or not self._taken:
            self.where = progress(events)
        for event in events[self._taken :]:
            self.story.take(event)
        self._taken = len(events)


def status_of(glance: Glance, store: str = "", journal: Journal | None = None) -> Status:
    """Work out where a run stands.

    Args:
        glance: what its folder holds.
        store: what a command has to be given to find its store, from a blank on.
        journal: what earlier looks at the same run have taken in.
    """
    known = journal or Journal()
    known.take(glance.events)
    where, story = known.where, known.story
    record, wanted = glance.record, needed(glance.record, where.look)
    state = glance.state
    if state not in {"running", "done"} and where.not_back:
        state = "not put back"
    rest = [trial for trial in wanted if trial.id not in story.outcomes]
    in_hand = _in_hand(glance, where, story) if state == "running" else None
    return Status(
        run=record.id,
        title=record.title,
        guest=record.guest,
        guest_kind=record.guest_kind,
        location=glance.location,
        began_utc=record.started_utc,
        state=state,
        why=where.why,
        heard_utc=glance.heard_utc,
        heard_s=_ago(glance.heard_utc, glance.now_s),
        trial=in_hand,
        ended=len(story.outcomes),
        planned=len(wanted),
        whole_blocks=_whole(wanted, story.outcomes),
        blocks=len({trial.block for trial in wanted}),
        outcomes=story.counted(),
        put_apart=story.put_apart,
        reasons=tuple((name, *story.outcomes[name]) for name in story.unmeasured()[-_REASONS_SHOWN:]),
        look=where.look,
        spent_s=story.spent_s + (_since_news(glance, story) if state == "running" else 0.0),
        left=_left(record, rest, story, in_hand) if state != "done" else None,
        ends_utc=story.ends_utc if state == "running" else "",
        guest_back=where.guest_is_back,
        not_back=where.not_back,
        leases=tuple(story.leases),
        next_step=_next_step(state, where, f"{record.id}{store}", rest),
    )


@dataclass
class _Story:
    """What the journal tells beside the run's progress.

    Attributes:
        outcomes: outcome and reason of each trial that has ended, the last to end last.
        took_s: seconds of each trial of which both ends are known.
        spent_s: of all sittings, up to the last event.
    """

    outcomes: dict[str, tuple[str, str]] = field(default_factory=dict)
    took_s: dict[str, Seconds] = field(default_factory=dict)
    leases: list[str] = field(default_factory=list)
    estimate: tuple[Seconds, Seconds] | None = None
    ends_utc: str = ""
    stage: str = ""
    put_apart: int = 0
    spent_s: Seconds = 0.0
    last_s: Seconds | None = None
    _trial_began_s: Seconds | None = None

    def take(self, event: Event) -> None:
        """Take in one event, in the order of the journal."""
        now_s = utc_seconds(event.time_utc)
        self._spend(event, now_s)
        match event.event:
            case "run-started" | "run-resumed":
                self.leases = []
                least, most = event.detail.get("least_s"), event.detail.get("most_s")
                if isinstance(least, int | float) and isinstance(most, int | float):
                    self.estimate = (float(least), float(most))
                self.ends_utc = str(event.detail.get("ends_utc", ""))
            case "trial-started":
                self._trial_began_s, self.stage = now_s, ""
            case "stage-started":
                self.stage = str(event.detail.get("stage", ""))
            case "trial-ended" if event.trial is not None:
                self._ended(event, event.trial, now_s)
            case "trial-discarded":
                self.put_apart += 1
                self._trial_began_s = None
            case "clock-stepped" | "slept":
                self._trial_began_s = None  # what it took cannot be told by the wall clock any more
            case "leases-taken":
                held = event.detail.get("leases")
                self.leases = [str(lease) for lease in held] if isinstance(held, list | tuple) else []
            case "leases-released" | "lease-lost":
                self.leases = []
            case _:
                pass

    def unmeasured(self) -> list[str]:
        """Trials that ended without counting."""
        return [name for name, (outcome, _) in self.outcomes.items() if outcome != "measured"]

    def counted(self) -> dict[str, int]:
        """How many trials came out how."""
        found = [outcome for outcome, _ in self.outcomes.values()]
        return {outcome: found.count(outcome) for outcome in ("measured", "unsteady", "failed")}

    def _ended(self, event: Event, trial: str, now_s: Seconds | None) -> None:
        self.outcomes.pop(trial, None)
        self.outcomes[trial] = (str(event.detail.get("outcome", "")), str(event.detail.get("reason", "")))
        if now_s is not None and self._trial_began_s is not None and now_s >= self._trial_began_s:
            self.took_s[trial] = now_s - self._trial_began_s
        self._trial_began_s = None

    def _spend(self, event: Event, now_s: Seconds | None) -> None:
        """Count the time since the event before, unless the run was not at work then (``by``: by whom a guest was)."""
        if now_s is None:
            return
        idle = event.event in {"run-resumed", "clock-stepped", "slept", "restore-started"} or "by" in event.detail
        if self.last_s is not None and not idle:
            self.spent_s += max(now_s - self.last_s, 0.0)
        self.last_s = now_s


def _in_hand(glance: Glance, where: Progress, story: _Story) -> InHand | None:
    planned = next((trial for trial in glance.record.trials if trial.id == where.in_hand), None)
    if planned is None:
        return None
    alive = glance.alive if glance.alive is not None and glance.alive.trial == planned.id else None
    if alive is None:
        return InHand(planned.id, planned.number, planned.block, story.stage, None, None, (), "")
    since, at = (utc_seconds(text) if text else None for text in (alive.stage_since_utc, alive.time_utc))
    age_s = max(glance.now_s - at, 0.0) if at is not None else 0.0
    for_s = max(at - since, 0.0) + age_s if since is not None and at is not None else None
    stage = alive.stage or story.stage
    rates = (alive.rate_per_s, alive.recent)
    return InHand(planned.id, planned.number, planned.block, stage, for_s, *rates, alive.said)


def _since_news(glance: Glance, story: _Story) -> Seconds:
    """Time since the last event, where the journal and whoever looks go by the same clock."""
    if story.last_s is None or glance.alive is None:
        return 0.0
    at = utc_seconds(glance.alive.time_utc)
    return max(at - story.last_s, 0.0) if at is not None and at - story.last_s < _LONGEST_SILENCE_S else 0.0


#: No stage is given so long without an event; a larger gap is that of a model's clock.
_LONGEST_SILENCE_S: Seconds = 86400.0


def _ago(utc: str, now_s: Seconds) -> Seconds | None:
    then_s = utc_seconds(utc) if utc else None
    return max(now_s - then_s, 0.0) if then_s is not None else None


def _whole(wanted: Sequence[PlannedTrial], ended: Collection[str]) -> int:
    open_blocks = {trial.block for trial in wanted if trial.id not in ended}
    return len({trial.block for trial in wanted} - open_blocks)


def _left(
    record: RunRecord, rest: Sequence[PlannedTrial], story: _Story, in_hand: InHand | None
) -> tuple[Seconds, Seconds] | None:
    """Time for what is left: of each trial the least and the most that its cell took; any cell, where it is new."""
    if not rest:
        return None
    if not story.took_s:
        return story.estimate
    cells: dict[tuple[str, str, int], list[Seconds]] = {}
    for trial in record.trials:
        if trial.id in story.took_s:
            cells.setdefault(_cell(trial), []).append(story.took_s[trial.id])
    anything = list(story.took_s.values())
    least = sum(min(cells.get(_cell(trial), anything)) for trial in rest if trial.block <= _certain(record, rest))
    most = sum(max(cells.get(_cell(trial), anything)) for trial in rest)
    passed_s = in_hand.for_s if in_hand is not None and in_hand.for_s is not None else 0.0
    return (max(least - passed_s, 0.0), max(most - passed_s, 0.0))


def _cell(trial: PlannedTrial) -> tuple[str, str, int]:
    return (trial.shape, trial.workload, trial.threads)


def _certain(record: RunRecord, rest: Sequence[PlannedTrial]) -> int:
    """The last block that is run whatever the evidence says."""
    if not record.declared.until_decided:
        return max(trial.block for trial in rest)
    return max(record.declared.least_blocks or 1, rest[0].block)


def _next_step(state: str, where: Progress, run: str, rest: Sequence[PlannedTrial]) -> str:
    if state == "running":
        return ""
    if where.not_back or (state == "done" and not where.guest_is_back):
        return f"trialbed restore {run}"
    if state == "done":
        return f"trialbed show {run}"
    if rest or not where.guest_is_back:
        back = "" if where.guest_is_back else f", or to put the guest back only: trialbed restore {run}"
        return f"trialbed resume {run}{back}"
    return f"trialbed show {run}"
