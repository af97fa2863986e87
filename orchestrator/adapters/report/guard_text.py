"""What the guard says: its answer first, then the comparison and the templates that it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType

from orchestrator.adapters.report.compare_text import render_comparison
from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE
from orchestrator.adapters.report.templates_text import render_templates
from orchestrator.adapters.report.text import Text
from orchestrator.core.verdict.between_runs.guarded import Guarded, Outcome
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.core.verdict.templates import TemplateFinding

OUTCOMES: dict[Outcome, tuple[str, str]] = {
    "kept": ("kept", "bold green"),
    "worse": ("worse", "bold red"),
    "undecided": ("undecided", "bold yellow"),
}


def render_guard(
    guarded: Guarded, compared: RunsCompared, templates: Sequence[TemplateFinding], *, baseline: str
) -> RenderableType:
    """Everything a person needs to believe the guard or not; fits 80 columns."""
    word, style = OUTCOMES[guarded.outcome]
    return Group(
        Text.assemble((f"Guard against baseline {safe(baseline)}: ", "bold"), (word, style)),
        Text(safe(guarded.answer, SENTENCE)),
        Text(),
        render_comparison(compared, base_called=f"baseline {baseline}"),
        *_templates(templates, compared),
    )


def _templates(templates: Sequence[TemplateFinding], compared: RunsCompared) -> list[RenderableType]:
    shown = [*render_templates(templates, margin=compared.margin, confidence=compared.confidence, per=compared.per)]
    return [Text(), *shown[:-1]] if shown else []


def guard_json(
    guarded: Guarded, compared: RunsCompared, templates: Sequence[TemplateFinding], *, baseline: str, status: int
) -> dict[str, Any]:
    """What ``trialbed guard --json`` prints."""
    return {
        "schema_version": SCHEMA_VERSION,
        "baseline": baseline,
        "run": compared.new,
        "exit_status": status,
        **guarded.model_dump(mode="json"),
        "comparison": compared.model_dump(mode="json"),
        "templates": [found.model_dump(mode="json") for found in templates],
    }
