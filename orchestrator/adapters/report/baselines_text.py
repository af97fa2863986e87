"""Baselines on a page and for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType

from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import minute
from orchestrator.adapters.report.sections import SENTENCE, bullets, heading
from orchestrator.adapters.report.text import Text
from orchestrator.core.record.baseline import Baseline
from orchestrator.core.record.cell_identity import CellIdentity, cell_identities
from orchestrator.core.record.run import StoredRun
from orchestrator.core.verdict.words import count


def render_baselines(found: Sequence[tuple[Baseline, Sequence[str]]]) -> RenderableType:
    """Every baseline: its name, its runs and when it was set; its note, and what is not as it was, below.

    Args:
        found: baselines, each with what is not as it was when it was set.
    """
    if not found:
        return Text("no baseline; set one with: trialbed baseline set NAME RUN")
    width = max(len(baseline.name) for baseline, _ in found)
    parts: list[RenderableType] = []
    for baseline, changes in found:
        when = f"set {minute(baseline.set_utc)} UTC"
        parts.append(Text(f"{safe(baseline.name):<{width}}  {when}, {count(len(baseline.runs), 'run')}", style="bold"))
        parts += [Text(f"  {safe(run)}") for run in baseline.ids]
        parts += [Text(f"  {safe(baseline.note, SENTENCE)}", style="dim")] if baseline.note else []
        parts += bullets(changes)
    return Group(*parts)


def render_baseline(baseline: Baseline, runs: Sequence[StoredRun], changes: Sequence[str]) -> RenderableType:
    """One baseline, its runs with their cells, and what is not as it was."""
    parts: list[RenderableType] = [
        Text(f"Baseline {safe(baseline.name)}", style="bold"),
        Text(f"set {minute(baseline.set_utc)} UTC"),
        *([Text(safe(baseline.note, SENTENCE))] if baseline.note else []),
    ]
    for run in runs:
        record = run.record
        where = f"{safe(record.title)} ({safe(record.guest)}, {safe(record.guest_kind)})"
        parts += [Text(), heading(f"Run {record.id}"), Text(where)]
        parts.append(Text(f"began {minute(record.started_utc)} UTC, {safe(run.standing, SENTENCE)}"))
        cells = _cells(run)
        parts += bullets([f"{count(len(cells), 'cell')}: {', '.join(cell.id for cell in cells)}"])
        if unseen := _unmeasured(run):
            parts += bullets([f"no steady trial, so never compared: {', '.join(unseen)}"])
    if changes:
        parts += [Text(), heading("Not as it was"), *bullets(changes)]
    return Group(*parts)


def baselines_json(found: Sequence[tuple[Baseline, Sequence[str]]], problems: Sequence[str]) -> dict[str, Any]:
    """What ``trialbed baseline list --json`` prints."""
    return {
        "schema_version": SCHEMA_VERSION,
        "baselines": [_plain(baseline, changes) for baseline, changes in found],
        "problems": list(problems),
    }


def baseline_json(baseline: Baseline, runs: Sequence[StoredRun], changes: Sequence[str]) -> dict[str, Any]:
    """What ``trialbed baseline show --json`` prints: with the cells of each run that can be read."""
    cells = {run.record.id: [cell.model_dump(mode="json") for cell in _cells(run)] for run in runs}
    unseen = {run.record.id: _unmeasured(run) for run in runs}
    return {"schema_version": SCHEMA_VERSION, **_plain(baseline, changes), "cells": cells, "not_measured": unseen}


def _cells(run: StoredRun) -> list[CellIdentity]:
    return sorted(cell_identities(run.record), key=lambda cell: (cell.workload, cell.vcpus, cell.threads, cell.shape))


def _unmeasured(run: StoredRun) -> list[str]:
    """Ids of the cells of which no trial became steady."""
    seen = {(trial.workload, trial.threads, trial.shape) for trial in run.trials if trial.outcome == "measured"}
    return [cell.id for cell in _cells(run) if cell.key not in seen]


def _plain(baseline: Baseline, changes: Sequence[str]) -> dict[str, Any]:
    value = baseline.model_dump(mode="json")
    del value["schema_version"]
    return value | {"changes": list(changes)}
