"""The verb history: cells of a store, followed through its runs."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence

from orchestrator.core.record.run_line import RunLine
from orchestrator.core.verdict.history.histories import histories
from orchestrator.core.verdict.history.results import CellHistory
from orchestrator.core.verdict.history.series import cells_known
from orchestrator.core.verdict.words import listed
from orchestrator.engine.listing import short_names
from orchestrator.errors import StoreError

_NAMES_SHOWN = 6


def history(  # noqa: PLR0913 - one keyword for each thing a message or sentence needs
    runs: Sequence[RunLine],
    pattern: str,
    fits: Callable[[str, str], bool],
    *,
    where: str,
    per: str = "second",
    unreadable: int = 0,
) -> tuple[CellHistory, ...]:
    """Follow the cells that a pattern names through the runs.

    Args:
        runs: all of a store, oldest first.
        pattern: of cell ids, as typed.
        fits: whether an id fits a pattern.
        where: the store, for messages.
        per: the period that sentences speak in.
        unreadable: how much of the store could not be read.

    Raises:
        StoreError: no cell with a trial that counts fits the pattern; with what there is.
    """
    names = cells_known(runs)
    if not any(fits(name, pattern) for name in names):
        beside = f"; {unreadable} of its files cannot be read, and 'trialbed list' says why" if unreadable else ""
        raise StoreError(_none(pattern, names, where) + beside)
    short = short_names([run.id for run in runs])
    return histories(runs, lambda name: fits(name, pattern), short=short, per=per)


def _none(pattern: str, names: Sequence[str], where: str) -> str:
    if not names:
        return f"no run in {where} has a trial that counts yet; make one with: trialbed run plans/first.yaml"
    near = difflib.get_close_matches(pattern, names, n=_NAMES_SHOWN, cutoff=0.5) or names[:_NAMES_SHOWN]
    more = len(names) - len(near)
    there = listed([*near, *([f"{more} more"] if more else [])])
    are = "is" if len(names) == 1 else "are"
    return f"no cell in {where} fits {pattern!r}; there {are} {there}; '*' stands for any characters"
