"""The texts of a document as files of every kind show them: made safe, and no longer than anybody reads."""

from __future__ import annotations

from orchestrator.adapters.report.document.parts import MARK_WORDS, Column, Section
from orchestrator.adapters.report.plain import LONGEST_IN_REPORT, safe


def shown(text: str) -> str:
    """One line without anything that hides, reorders or steers; longer text is cut, and says so."""
    return safe(text, LONGEST_IN_REPORT)


def lines(text: str) -> list[str]:
    """Text as it was given, line by line; tabs are blanks up to the next multiple of eight."""
    return [shown(line.removesuffix("\r").expandtabs()) for line in text.removesuffix("\n").split("\n")]


def heading(column: Column) -> str:
    """Of a column, with its unit: ``throughput (operations a second)``."""
    return shown(f"{column.name} ({column.unit})" if column.unit else column.name)


def summary(section: Section) -> str:
    """How a section stands and what it comes to, as far as there is anything to say."""
    return shown(", ".join(filter(None, (MARK_WORDS[section.mark], section.summary))))
