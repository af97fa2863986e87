"""Ids of sections and charts: no two of a document are the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from orchestrator.adapters.report.document.parts import Beside, Block, Chart, Section

_Rename = Callable[[str], str]


def distinct(sections: Sequence[Section]) -> tuple[Section, ...]:
    """The sections with a number at each id that an earlier one has already: names may differ only in their signs."""
    of_sections, of_charts = _numbered(), _numbered()
    return tuple(_renamed(section, of_sections, of_charts) for section in sections)


def below(section: Section, prefix: str) -> Section:
    """A section of one run as part of a report on several: all its ids begin with what the run is there."""
    return _renamed(section, lambda name: f"{prefix}-{name}", lambda name: f"{prefix}-{name}")


def _numbered() -> _Rename:
    given: set[str] = set()

    def rename(name: str) -> str:
        free, number = name, 1
        while free in given:
            number += 1
            free = f"{name}-{number}"
        given.add(free)
        return free

    return rename


def _renamed(section: Section, of_section: _Rename, of_chart: _Rename) -> Section:
    return replace(
        section,
        id=of_section(section.id),
        blocks=tuple(_block(block, of_chart) for block in section.blocks),
        parts=tuple(_renamed(part, of_section, of_chart) for part in section.parts),
    )


def _block(block: Block, rename: _Rename) -> Block:
    if isinstance(block, Chart):
        return replace(block, id=rename(block.id))
    if isinstance(block, Beside):
        return Beside(tuple(replace(chart, id=rename(chart.id)) for chart in block.charts))
    return block
