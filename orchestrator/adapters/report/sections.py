"""Headings and sentences below each other, as every page of the verdict has them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich.console import RenderableType
from rich.table import Table

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Text

#: Reasons and remarks hold names, details and figures; longer ones are a guest's doing.
SENTENCE = 2000


def section(title: str, sentences: Sequence[str]) -> list[RenderableType]:
    """Sentences under a heading; nothing where there is none."""
    return [heading(title), *bullets(sentences), Text()] if sentences else []


def heading(text: str) -> Text:
    """A heading."""
    return Text(safe(text, SENTENCE), style="bold")


def bullets(sentences: Iterable[str]) -> Iterator[RenderableType]:
    """Sentences, each with a dash before it."""
    for sentence in sentences:
        row = Table.grid(padding=(0, 1))
        row.add_column()
        row.add_column(overflow="fold")  # a long path is never cut
        row.add_row(Text(" -"), Text(safe(sentence, SENTENCE)))
        yield row
