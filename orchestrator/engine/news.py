"""What the engine tells whoever watches: one value an event."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.design.trials import Trial
from orchestrator.core.measure.results import Interval
from orchestrator.core.record.journal import Look
from orchestrator.core.record.trial import TrialRecord
from orchestrator.units import Fraction, Seconds


@dataclass(frozen=True)
class RunBegan:
    """A run begins or goes on.

    Attributes:
        run: its id.
        kind: what the driver calls its guests.
        done: trials already finished, where a run is resumed.
        least_s, most_s: estimate for what is left.
        surely: trials that are run whatever they show, those finished included; fewer than ``trials`` where the
            evidence may end the run.
    """

    run: str
    location: str
    title: str
    kind: str
    trials: int
    done: int
    least_s: Seconds
    most_s: Seconds
    surely: int


@dataclass(frozen=True)
class NeighboursBegan:
    """The declared neighbours run.

    Attributes:
        described: all of them in words.
    """

    described: str


@dataclass(frozen=True)
class TimePlanned:
    """A block of a run with a time limit begins, or is gone on with, since all that is left of it is expected to fit.

    Attributes:
        ends: when the run is over at the latest, in local time.
        left_s: until then.
        block, blocks: the block, and how many there are at the most.
        trials: outstanding ones of the block.
        up_to_s: what these are expected to take at the most.
    """

    ends: str
    left_s: Seconds
    block: int
    blocks: int
    trials: int
    up_to_s: Seconds


@dataclass(frozen=True)
class TrialBegan:
    """A trial begins."""

    trial: Trial


@dataclass(frozen=True)
class StageBegan:
    """A stage of the trial in hand begins, or is tried again.

    Attributes:
        attempt: 1 for the first try.
        why: what made the try before fail.
    """

    stage: str
    attempt: int = 1
    why: str = ""


@dataclass(frozen=True)
class WaitingForQuiet:
    """The trial in hand waits for a quiet host.

    Attributes:
        why: what the last look at the host found.
        left_s: for so long it is waited at the most.
        looks: how often the host has been looked at.
    """

    why: str
    left_s: Seconds
    looks: int


@dataclass(frozen=True)
class Measured:
    """Live throughput of the trial in hand.

    Attributes:
        rate: the latest reading, operations per second.
        interval: of the steady window so far; ``None`` during the warm-up.
        target: relative half-width at which measuring ends early.
        within: relative half-width so far.
        state: in words.
    """

    rate: float
    interval: Interval | None
    target: Fraction
    within: Fraction | None
    state: str


@dataclass(frozen=True)
class TrialEnded:
    """A trial is over and stored.

    Attributes:
        barred: whether it failed at a machine that does not let the run in, as its StageError says.
    """

    record: TrialRecord
    barred: bool = False


@dataclass(frozen=True)
class BlocksJudged:
    """A whole block has ended, and the evidence so far has been looked at."""

    look: Look


@dataclass(frozen=True)
class Notice:
    """Something that a person should know."""

    text: str


@dataclass(frozen=True)
class RunEnded:
    """The run is over: the guest is as it was.

    Attributes:
        state: ``done``, ``interrupted``, ``out of time``, ``given up``, or ``not begun`` where not even the first trial
            could be.
        failed: trials without a measurement.
        why: what ended it before its last trial, in words; empty where nothing did.
    """

    run: str
    state: str
    failed: int
    why: str = ""


News = (
    RunBegan
    | NeighboursBegan
    | TimePlanned
    | TrialBegan
    | StageBegan
    | WaitingForQuiet
    | Measured
    | TrialEnded
    | BlocksJudged
    | Notice
    | RunEnded
)
