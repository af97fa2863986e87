"""What fits into the time that a night has: whole blocks, single trials, and putting the guest back at the end.

A trial is expected to take as long as the longest of its cell so far, and a little more; before any is seen, as long as
the plan allows. A block is begun where all of it is expected to fit, so that a night that is cut stays balanced. Of the
first block every trial is tried that could fit at all: something measured of each cell is worth more than balance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import Switch, of_one
from orchestrator.core.design.trials import Cell, Trial, cells
from orchestrator.units import Seconds, format_duration

#: Share by which a trial may take longer than the longest of its cell so far (common practice, no published source).
TRIAL_RESERVE = 0.1
#: The same for putting a guest back, of which only the parts have been seen: stopping, defining, starting. The run's
#: files are closed in that time as well.
BACK_RESERVE = 0.5
BACK_LEAST_S = 5.0


@dataclass(frozen=True)
class TimeLimit:
    """When a run is to be over: the earlier where both are given, never where neither is.

    Attributes:
        until_s: wall clock, seconds since 1970.
        for_s: seconds from the run's beginning, those included for which the machine slept.
    """

    until_s: Seconds | None = None
    for_s: Seconds | None = None


@dataclass(frozen=True)
class TimeGiven:
    """The time that a run is given, as it is known beforehand.

    Attributes:
        begins, ends: in local time; ``None`` where it begins at once, or has no end.
        begins_s, ends_s: the same in seconds since 1970.
        seconds: from the one to the other.
        notes: what has to be said of these times, in sentences.
    """

    begins: str | None
    ends: str | None
    begins_s: Seconds | None
    ends_s: Seconds | None
    seconds: Seconds | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Took:
    """How long a finished trial took.

    Attributes:
        cell: key of its cell.
        seconds: the whole of it, stored and with the guest stopped again.
        measured: whether it went to its end; one that failed says nothing of how long the others take.
        switching_s: of it the seconds of stopping, defining and starting; ``None`` where it did not do all three.
    """

    cell: tuple[str, str, int]
    seconds: Seconds
    measured: bool
    switching_s: Seconds | None


@dataclass(frozen=True)
class Pace:
    """What is known of how long trials of a plan take.

    Attributes:
        plan, switch: the limits where nothing has been seen yet.
        longest_s: the longest trial of each cell, by key.
        switching_s: the longest that stopping, defining and starting took together; ``None`` before it is seen.
    """

    plan: Plan
    switch: Switch
    longest_s: Mapping[tuple[str, str, int], Seconds] = field(default_factory=dict)
    switching_s: Seconds | None = None

    def after(self, took: Took) -> Pace:
        """The same with one more trial seen."""
        longest, switching = self.longest_s, self.switching_s
        if took.measured:
            longest = {**longest, took.cell: max(took.seconds, longest.get(took.cell, 0.0))}
        if took.switching_s is not None:
            switching = max(took.switching_s, switching or 0.0)
        return replace(self, longest_s=longest, switching_s=switching)

    @property
    def back_s(self) -> Seconds:
        """Seconds to keep for stopping and putting back the guest, and the guests of neighbours."""
        seen = self.switching_s
        one = self.switch.most_s if seen is None else max(seen * (1 + BACK_RESERVE), BACK_LEAST_S)
        return one * (1 + len(guests_of(self.plan.neighbours)))

    def least_s(self) -> Seconds:
        """The shortest that a trial of the plan can be."""
        return of_one(self.plan, self.switch).least_s

    def expected_s(self, cell: Cell) -> Seconds:
        """Seconds that a trial of a cell is expected to take at the most."""
        most = of_one(self.plan, self.switch).most_s
        longest = self.longest_s.get(cell.key)
        return most if longest is None else max(longest, min(longest * (1 + TRIAL_RESERVE), most))

    def refusal(self, trial: Trial, rest: Sequence[Trial], left_s: Seconds, *, begun: bool) -> str | None:
        """Why a trial is not begun any more, in words; ``None`` where it is.

        Args:
            trial: the next one.
            rest: what is outstanding of its block, itself included.
            left_s: seconds to the end of the time.
            begun: whether its block has been begun, or gone on with, in this sitting.
        """
        back_s = self.back_s
        room_s = left_s - back_s
        first, seen = trial.block == 1, trial.cell.key in self.longest_s
        if begun or first:
            needed = self.least_s() if first and not seen else self.expected_s(trial.cell)
            what = f"trial {trial.id}"
        else:
            needed = math.fsum(self.expected_s(each.cell) for each in rest)
            what = f"block {trial.block} ({_trials(len(rest))})"
        if needed <= room_s:
            return None
        about = "at least" if first and not seen else "up to"
        takes, left, back = (format_duration(seconds) for seconds in (needed, left_s, back_s))
        return (
            f"{what} was not begun: it takes {about} {takes}, and {left} were left, {back} of it for putting the guest "
            "back"
        )


def too_short(plan: Plan, switch: Switch, seconds: Seconds) -> str | None:
    """Why so much time is not enough for a single trial of a plan of which nothing has been seen; ``None`` if it is."""
    pace = Pace(plan, switch)
    if pace.least_s() + pace.back_s <= seconds:
        return None
    return (
        f"{format_duration(max(seconds, 0.0))} is too short for a single trial: the shortest takes "
        f"{format_duration(pace.least_s())}, and {format_duration(pace.back_s)} is kept for putting the guest back"
    )


@dataclass(frozen=True)
class Fitting:
    """How many whole blocks of a plan fit into a time.

    Attributes:
        fewest: where each trial takes all that the plan allows.
        most: where each settles and is precise at once.
        of: blocks of the plan at the most.
    """

    seconds: Seconds
    fewest: int
    most: int
    of: int

    @property
    def sentence(self) -> str:
        """``4 to 12 of 12 blocks fit whole``."""
        if self.fewest >= self.of:
            return f"all {self.of} blocks fit" if self.of > 1 else "the block fits"
        if self.most == 0:
            return "not even one whole block fits; trials of the first are run where they fit"
        number = str(self.most) if self.fewest == self.most else f"{self.fewest} to {self.most}"
        return f"{number} of {self.of} blocks fit whole, by how long trials take; `trialbed resume` runs the others"


def fitting(plan: Plan, switch: Switch, seconds: Seconds) -> Fitting:
    """How many whole blocks fit into a time from the beginning of a run."""
    block, pace = len(cells(plan)), Pace(plan, switch)
    one = of_one(plan, switch)
    most_blocks = plan.design.most_blocks
    fewest, most = (
        min(max(math.floor((seconds - back_s) / (block * each_s)), 0), most_blocks)
        for back_s, each_s in ((pace.back_s, one.most_s), (switch.least_s, one.least_s))
    )
    return Fitting(seconds, fewest, most, most_blocks)


def _trials(number: int) -> str:
    return "1 trial" if number == 1 else f"{number} trials"
