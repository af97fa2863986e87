"""The verb behind explaining a stored trial: how its series was judged, from what is stored of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from orchestrator.core.measure.method import Step, explain_series
from orchestrator.core.measure.samples import Value
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.showing import rates

#: Of a plan that a stored run does not tell.
_USUAL_CONFIDENCE = 0.95
_INSTANT = 1e-6


def explain_trial(run: StoredRun, trial: TrialRecord, rows: Sequence[Mapping[str, Value]]) -> tuple[Step, ...]:
    """How a trial's throughput was judged, step by step, from the readings as they were stored."""
    series = rates(run, trial, rows)
    window = trial.summary.window if trial.summary is not None else None
    if not series.rate:
        return ()
    return explain_series(
        series.time_s,
        series.rate,
        confidence=run.record.declared.number("decide", "confidence", usual=_USUAL_CONFIDENCE),
        # The window begins where its first reading's interval does, so that reading is the first after it.
        mean_over_s=None if window is None else (window.start_s + _INSTANT, window.end_s),
        watched=True,
    )
