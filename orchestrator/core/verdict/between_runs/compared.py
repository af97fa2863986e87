"""Runs set against each other: the whole of it."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.core.verdict.between_runs.answer import answer
from orchestrator.core.verdict.between_runs.comparing import changes
from orchestrator.core.verdict.between_runs.matching import match
from orchestrator.core.verdict.between_runs.overall import overall
from orchestrator.core.verdict.between_runs.remarks import comparison_remarks
from orchestrator.core.verdict.between_runs.results import Difference, RunsCompared
from orchestrator.core.verdict.between_runs.side import Side


def compare_runs(  # noqa: PLR0913 - one keyword for each thing that a comparison is told
    base: Sequence[Side],
    new: Side,
    *,
    margin: float,
    confidence: float,
    per: str,
    accept_changed_files: bool = False,
    surroundings: Sequence[Difference] = (),
) -> RunsCompared:
    """A new run against a base.

    Args:
        base: one run, or several, whose whole runs are then the readings.
        new: the run that is set against them.
        margin: the smallest relative difference that matters.
        confidence: of all cells together.
        per: the period that sentences speak in: ``second``, ``minute`` or ``hour``.
        accept_changed_files: a load is the same also where the files that it sends are not.
        surroundings: what else is not the same, to be read beside it.

    Raises:
        ValueError: when there is no base.
    """
    if not base:
        raise ValueError("a comparison needs a base of one run or more")
    matches, unmatched = match(base, new, accept_changed_files=accept_changed_files)
    found = changes(base, new, matches, margin=margin, confidence=confidence)
    together = overall(base, new, matches, margin=margin, confidence=confidence)
    return RunsCompared(
        base=tuple(side.record.id for side in base),
        new=new.record.id,
        margin=margin,
        confidence=confidence,
        per=per,
        runs_are_readings=len(base) > 1,
        answer=answer(found, unmatched, together, margin),
        changes=found,
        unmatched=unmatched,
        overall=together,
        surroundings=tuple(surroundings),
        remarks=comparison_remarks(base, new, matches, found),
    )
