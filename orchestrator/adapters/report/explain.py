"""How a result was reached: its steps in order, with the figures that entered and where each method is from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Text
from orchestrator.core.measure.method import Step

_SENTENCE = 2000


def render_explanation(steps: Sequence[Step], title: str = "How this was reached") -> RenderableType:
    """The steps, each with its source in brackets; the sources are author and year."""
    table = Table.grid(padding=(0, 1))
    for number, step in enumerate(steps, start=1):
        told = Text.assemble(
            (f"{safe(step.step)}: ", "bold"), safe(step.what, _SENTENCE), (f" [{safe(step.source)}]", "dim")
        )
        table.add_row(Text(f" {number}."), told)
    return Group(Padding(Text(title, style="bold"), (1, 0, 0, 0)), table)


def explanation_json(steps: Sequence[Step]) -> list[dict[str, Any]]:
    """The steps as plain values: ``step``, ``what``, ``source``."""
    return [step.model_dump(mode="json") for step in steps]
