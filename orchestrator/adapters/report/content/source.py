"""What reports are made from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.verdict.minutes import TimeUse
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.engine.courses import TrialCourse


@dataclass(frozen=True)
class RunSource:
    """A run with all that a report tells of it.

    Attributes:
        run: as read from the store.
        verdict: on it, by its plan's rule.
        environment: its fingerprint; ``None`` where there is none that can be read.
        problems: what was found damaged.
        time: how the time is best spent.
        inputs: plan, lab and files as they were given, by name.
        courses: the series of each trial that has any, by the trial's id.
    """

    run: StoredRun
    verdict: Verdict
    environment: Environment | None = None
    problems: Sequence[str] = ()
    time: Sequence[TimeUse] = ()
    inputs: Mapping[str, bytes] = field(default_factory=dict)
    courses: Mapping[str, TrialCourse] = field(default_factory=dict)
