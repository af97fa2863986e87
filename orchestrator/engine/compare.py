"""The verb that sets stored runs against each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.verdict.between_runs.compared import compare_runs
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.between_runs.surroundings import Known, surroundings
from orchestrator.core.verdict.rule import rule_of
from orchestrator.engine.judge import evidence_of
from orchestrator.engine.repetitions import stated
from orchestrator.errors import InputError, Problem, StoreError


class Runs(Protocol):
    """What a comparison asks of a store, as :class:`~orchestrator.engine.ports.RunStore` answers it."""

    def find(self, run: str) -> StoredRun:
        """A run by its id, the beginning of one, or ``last``."""

    def environment(self, run: StoredRun) -> Environment | None:
        """Its fingerprint."""


def compare_stored(  # noqa: PLR0913 - one keyword for each thing that a comparison is told
    store: Runs,
    base: Sequence[str],
    new: str,
    *,
    margin: float | None = None,
    confidence: float | None = None,
    per: str = "second",
    accept_changed_files: bool = False,
) -> RunsCompared:
    """A stored run against one or several others, by the rule of the (first) base's plan.

    A run that is not finished is compared as far as it is, with a remark.

    Args:
        store: where all of them are kept.
        base: id of each, an unambiguous beginning of one, or ``last``.
        new: likewise.
        margin: another margin than the plan's.
        confidence: another confidence than the plan's.
        per: the period that sentences speak in.
        accept_changed_files: compare loads also where the files that they send are not the same.

    Raises:
        StoreError: when there is no such run or it cannot be read.
        InputError: when there is no base, or a run is named twice.
    """
    runs = [store.find(name) for name in (*base, new)]
    _refuse_the_same((*base, new), [run.record.id for run in runs])
    *bases, compared = (Side(run, evidence_of(run)) for run in runs)
    rule = rule_of(bases[0].record)
    *around, around_new = (Known(run, _environment(store, run)) for run in runs)
    found = compare_runs(
        bases,
        compared,
        margin=rule.margin if margin is None else margin,
        confidence=rule.confidence if confidence is None else confidence,
        per=per,
        accept_changed_files=accept_changed_files,
        surroundings=surroundings(around, around_new),
    )
    return stated(found, bases[0].run, compared.run)


def _environment(store: Runs, run: StoredRun) -> Environment | None:
    """The fingerprint; a run is compared also where none was kept, or a damaged one."""
    try:
        return store.environment(run)
    except StoreError:
        return None


def _refuse_the_same(asked: Sequence[str], found: Sequence[str]) -> None:
    if len(found) < 2:
        message = "no run is given to compare with; name one or more"
        raise InputError([Problem("the base", "", message)])
    for place, run in enumerate(found):
        if run in found[:place]:
            also = asked[found.index(run)]
            told = f"{also!r} and {asked[place]!r} are both" if asked[place] != also else f"{also!r} is named twice:"
            message = f"{told} run {run}; a run is compared with others, each named once"
            raise InputError([Problem("the comparison", "", message)])
