"""What the guard says as Markdown, to be pasted into an issue tracker: its answer, the templates, the comparison."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.adapters.report.compare_markdown import comparison_markdown, escaped
from orchestrator.core.verdict.between_runs.guarded import Guarded
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.core.verdict.templates import TemplateFinding


def guard_markdown(
    guarded: Guarded, compared: RunsCompared, templates: Sequence[TemplateFinding], *, baseline: str
) -> str:
    """The page, in the period of the comparison."""
    blocks = [f"## Guard against baseline {escaped(baseline)}: {guarded.outcome}", escaped(guarded.answer)]
    if templates:
        blocks += ["**Templates**", "\n".join(f"- {escaped(found.sentence)}" for found in templates)]
    return "\n\n".join([*blocks, comparison_markdown(compared, base_called=f"baseline {baseline}")])
