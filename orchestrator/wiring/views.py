"""What is in the store."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import heed
from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports import TrialData
from orchestrator.errors import StoreError
from orchestrator.units import Seconds

if TYPE_CHECKING:
    from orchestrator.adapters.store.folder import FolderStore
    from orchestrator.adapters.store.following import Follower
    from orchestrator.core.measure.method import Step
    from orchestrator.core.record.finding import Verified
    from orchestrator.core.record.run_line import RunLine
    from orchestrator.core.verdict.minutes import TimeUse
    from orchestrator.core.verdict.verdict import Verdict


def folder_store(path: str) -> FolderStore:
    """The store in a folder."""
    from orchestrator.adapters.store.folder import FolderStore

    return FolderStore(Path(path), SystemClock().now)


def stored_runs(store: str) -> tuple[list[RunLine], list[str]]:
    """All runs in a nutshell, and what could not be read."""
    folder = folder_store(store)
    return folder.lines(), folder.problems()


def beside(store: Path, run: str) -> str:
    """The folder of a run by its whole id, so that no other is meant where it is gone; runs are found by it."""
    return str(store.resolve() / run)  # a path with ".." in it names no run


class ReadOnce:
    """Runs of a store that are set against each other: each is read once, however often it is asked for.

    Args:
        store: the results folder.
    """

    def __init__(self, store: str) -> None:
        self._folder = folder_store(store)
        self._runs: dict[str, StoredRun] = {}
        self._problems: dict[str, None] = {}

    def find(self, run: str) -> StoredRun:
        """As :meth:`~orchestrator.adapters.store.folder.FolderStore.find`."""
        if run not in self._runs:
            found = self._runs[run] = self._folder.find(run)
            self._problems |= dict.fromkeys(of_run(found, self._folder.problems()))
        return self._runs[run]

    def environment(self, run: StoredRun) -> Environment | None:
        """The fingerprint, if the run got so far. Raises StoreError when it is damaged."""
        return self._folder.environment(run)

    def problems(self) -> tuple[str, ...]:
        """What is damaged in any of them."""
        return tuple(self._problems)


def of_run(run: StoredRun, problems: Iterable[str]) -> list[str]:
    """What is damaged in one of several runs, which has to be named."""
    return [f"{run.record.id}: {problem}" for problem in problems]


def follower(run: str, store: str) -> Follower:
    """Looks at a run again and again, from the store alone."""
    from orchestrator.adapters.store.following import Follower

    heed()
    return Follower(Path(store), run, SystemClock())


def pause(seconds: Seconds) -> None:
    """Wait between two looks."""
    SystemClock().sleep(seconds)


def verified(run: str, store: str) -> Verified:
    """Every file of a run, checked against its digest."""
    return folder_store(store).verify(run)


@dataclass(frozen=True)
class RunView:
    """A stored run with what was found damaged in it, its environment and its verdict."""

    run: StoredRun
    verdict: Verdict
    environment: Environment | None
    problems: list[str]
    time: tuple[TimeUse, ...]
    explanation: tuple[Step, ...]


def run_view(run: str, store: str, per: str, *, explain: bool = False) -> RunView:
    """A run of the store by id, beginning of one, or ``last``, judged by its plan's rule; how, if that is wanted."""
    from orchestrator.core.verdict.method import explain_verdict
    from orchestrator.core.verdict.minutes import spent_time
    from orchestrator.core.verdict.rule import rule_of
    from orchestrator.engine.judge import evidence_of, verdict_of

    folder = folder_store(store)
    stored = folder.find(run)
    problems, environment = folder.problems(), None
    with suppress(StoreError):  # told with the problems; the trials and the verdict stand without it
        environment = folder.environment(stored)
    rule = rule_of(stored.record, per)
    reached = verdict_of(stored, per=per)
    steps = explain_verdict(evidence_of(stored), rule, reached) if explain else ()
    return RunView(stored, reached, environment, problems, spent_time(stored.trials, rule), steps)


def not_back_words(run: StoredRun) -> list[str]:
    """What there is to say, and to do, of guests that a run could not put back: lines for a shell are never cut."""
    from orchestrator.engine.keeping import not_back

    return [not_back(left.guest, left.reason, left.by_hand, run.record.id) for left in run.not_back]


def trial_view(run: str, trial: str, store: str) -> tuple[StoredRun, TrialRecord, TrialData, list[str]]:
    """A run, one trial of it with its series, and what was found damaged."""
    from orchestrator.engine.showing import pick_trial

    folder = folder_store(store)
    stored = folder.find(run)
    record = pick_trial(stored, trial, folder.problems())
    data = folder.load_trial(stored, record.id)
    return stored, record, data, folder.problems()
