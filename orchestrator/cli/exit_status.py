"""What a run came to, as an exit status: the same for whoever ran it and for whoever watched."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.wiring.views import RunView

FAILED, UNDECIDED, INTERRUPTED = 3, 5, 130
#: Of a repetition, by what is said of it.
STATED = {"repeated": 0, "reproduced": 0, "not": 1, "open": UNDECIDED}


def exit_status(view: RunView) -> int:
    """0: every question has its answer; 1: one has none; 3: trials failed, or it gave up; 130: interrupted.

    A run that ended by its time limit did what was asked of it: it counts by its trials and answers.
    """
    if view.run.state == "given up":
        return FAILED
    if view.run.state not in {"done", "out of time"}:
        return INTERRUPTED
    if any(trial.outcome == "failed" for trial in view.run.trials):
        return FAILED
    asked = {(planned.workload, planned.threads) for planned in view.run.record.trials}
    answered = {(found.workload, found.threads) for found in view.verdict.recommendations}
    return 0 if asked <= answered else 1
