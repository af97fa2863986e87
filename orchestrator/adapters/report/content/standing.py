"""How a trial stands: a mark, and in a few words what became of it."""

from __future__ import annotations

from orchestrator.adapters.report.document.parts import Mark
from orchestrator.adapters.report.figures import rate_text
from orchestrator.core.measure.results import Check, Interval, TrialSummary
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import rate, shortened

CHECK_MARKS: dict[str, Mark] = {"ok": "good", "flag": "doubt", "unavailable": "open"}
#: Of a reason, so much beside a heading; the whole of it stands below.
_REASON = 160


def flags(trial: TrialRecord) -> tuple[Check, ...]:
    """What has to be looked at before a trial is believed."""
    return tuple(check for check in trial.summary.checks if check.state == "flag") if trial.summary else ()


def kind_of_trial(record: RunRecord) -> str:
    """``Trial``; ``Reading`` of an imported run."""
    return "Reading" if record.origin == "imported" else "Trial"


def trial_name(run: StoredRun, trial: TrialRecord) -> str:
    """``Trial 7``, ``Reading 7``."""
    return f"{kind_of_trial(run.record)} {trial.number}"


def trial_mark(trial: TrialRecord) -> Mark:
    """``bad`` for one that failed; ``doubt`` without a result or with a flag; ``open`` where nothing checked it."""
    if trial.outcome == "failed":
        return "bad"
    if trial.outcome == "unsteady" or flags(trial):
        return "doubt"
    return "good" if trial.summary is None or _was_checked(trial.summary) else "open"


def _was_checked(summary: TrialSummary) -> bool:
    """Whether anything could be checked: of a figure that was noted by hand nothing can."""
    return any(check.state == "ok" for check in summary.checks)


def why(trial: TrialRecord) -> str:
    """Of a trial without a result: ``failed in start: the guest did not answer``, ``unsteady: throughput drifts``."""
    stage = f" in {trial.failed_stage}" if trial.failed_stage else ""
    return f"{trial.outcome}{stage}: {trial.reason.removeprefix('not steady: ')}"


def mean_text(mean: Interval, per: str) -> str:
    """``2400 ± 24 per second``."""
    if mean.low is None or mean.high is None:
        return f"{rate(mean.mean, per)}, without an interval"
    return f"{rate_text(mean, per)} per {per}"


def in_short(trial: TrialRecord, per: str) -> str:
    """``measured, 1203 ± 12 per second; look at: other load``; or why there is no result."""
    if trial.outcome != "measured":
        return shortened(why(trial), _REASON)
    mean = trial.summary.throughput if trial.summary is not None else None
    told = "measured" if mean is None else f"measured, {mean_text(mean, per)}"
    looked_at = ", ".join(check.title for check in flags(trial))
    return f"{told}; look at: {looked_at}" if looked_at else told
