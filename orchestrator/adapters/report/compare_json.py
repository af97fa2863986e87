"""Runs set against each other, for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.core.verdict.between_runs.results import RunsCompared


def comparison_json(found: RunsCompared) -> dict[str, Any]:
    """One comparison; keys as in :class:`~orchestrator.core.verdict.between_runs.results.RunsCompared`."""
    return {"schema_version": SCHEMA_VERSION, **found.model_dump(mode="json")}


def comparisons_json(found: Sequence[RunsCompared], problems: Sequence[str] = ()) -> dict[str, Any]:
    """What ``trialbed compare --json`` prints: one entry for each new run."""
    entries = [one.model_dump(mode="json") for one in found]
    return {"schema_version": SCHEMA_VERSION, "comparisons": entries, "problems": list(problems)}
