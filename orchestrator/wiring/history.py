"""Cells of a store through its runs."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from orchestrator.wiring.views import folder_store

if TYPE_CHECKING:
    from orchestrator.core.verdict.history.results import CellHistory


def cell_histories(pattern: str, store: str, per: str) -> tuple[tuple[CellHistory, ...], list[str]]:
    """The history of each cell that the pattern names, and what could not be read.

    Args:
        pattern: of cell ids, with the wildcards of a shell.
        store: the results folder.
        per: the period that sentences speak in.
    """
    from orchestrator.engine.history import history

    folder = folder_store(store)
    runs, problems = folder.lines(), folder.problems()
    return history(runs, pattern, fnmatchcase, where=store, per=per, unreadable=len(problems)), problems
