"""What a page is told of runs while somebody watches: which there are, and where one stands."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.report.page.served import InProgress, in_progress
from orchestrator.adapters.report.runs_text import tally_text
from orchestrator.adapters.store import finding
from orchestrator.adapters.store.following import Follower
from orchestrator.adapters.store.index import SETTLED_AFTER_S, signature
from orchestrator.adapters.store.layout import RunFolder
from orchestrator.adapters.web.library import News
from orchestrator.core.record.run_line import Tally
from orchestrator.engine.status import Journal, Status, status_of
from orchestrator.errors import StoreError
from orchestrator.wiring.views import folder_store

#: Readings of the trial in hand that are shown: ten minutes of one a second.
_READINGS_KEPT: Final = 600

Readings = tuple[tuple[float, bool], ...]


class RunWatcher:
    """:class:`~orchestrator.adapters.web.library.Watcher` of one run.

    Its news: ``status``, where the run stands; ``trial``, how many trials have ended, with the version of the report
    that tells of them; ``over``, once nothing more happens.

    Args:
        root: the results folder.
        run: the name of the run's folder.
        per: period of the throughput.
        store_words: what a command has to be given to find the store, from a blank on.
    """

    def __init__(self, root: Path, run: str, per: str, store_words: str) -> None:
        self._follower = Follower(root, run, SystemClock())
        self._folder = RunFolder(root / run)
        self._journal, self._course = Journal(), Course()
        self._per, self._store_words = per, store_words
        self._told: dict[str, str] = {}
        self.over = False

    def where(self) -> tuple[Status, InProgress, str]:
        """Where the run stands, the same in words, and the version of the report that tells of it."""
        status = status_of(self._follower.look(), self._store_words, self._journal)
        if status.trial is not None:
            self._course.add(status.trial.id, status.trial.recent)
        told = in_progress(status, self._course.readings if status.trial is not None else (), self._per)
        return status, told, _version(self._folder, status)

    def look(self) -> Sequence[News]:
        """See :class:`~orchestrator.adapters.web.library.Watcher`."""
        status, told, version = self.where()
        self.over = status.over
        news = {
            "status": {**asdict(told), "course": [[float(f"{rate:.5g}"), int(ok)] for rate, ok in told.course]},
            "trial": {"ended": status.ended, "planned": status.planned, "version": version},
        }
        if self.over:
            news["over"] = {"state": status.state, "headline": told.headline}
        return self._changed(news)

    def _changed(self, news: Mapping[str, Mapping[str, Any]]) -> list[News]:
        """What was not told yet."""
        found: list[News] = []
        for name, value in news.items():
            data = json.dumps(value)
            if self._told.get(name) != data:
                self._told[name] = data
                found.append(News(name, data))
        return found


class Course:
    """Throughput of the trial in hand since somebody watches; each look brings the last few readings."""

    def __init__(self) -> None:
        self._trial = ""
        self._last: Readings = ()
        self.readings: Readings = ()

    def add(self, trial: str, last: Readings) -> None:
        """Take in the last readings of a trial, the oldest first, of which some are known."""
        if trial != self._trial:
            self._trial, self._last, self.readings = trial, (), ()
        new = next(count for count in range(len(last) + 1) if _continues(self._last, last, count))
        if new:
            self.readings = (*self.readings, *last[len(last) - new :])[-_READINGS_KEPT:]
        self._last = last


def _continues(before: Readings, now: Readings, new: int) -> bool:
    """Whether ``now`` ends with as many new readings, and has the end of ``before`` in front of them."""
    known = now[: len(now) - new]
    return before[len(before) - len(known) :] == known if len(known) <= len(before) else False


@dataclass(frozen=True)
class _Known:
    """A run as it was last looked at; ``journal`` tells whether that has changed."""

    journal: tuple[int, int]
    state: str
    trials: str


_UNKNOWN: Final = _Known((0, 0), "", "")


class RunsWatcher:
    """:class:`~orchestrator.adapters.web.library.Watcher` of all runs of a store.

    Its news is ``runs``: a version of which runs there are in which state, and the trials of those that go on. Of the
    others only the size and time of the journal are looked at, and of those that are done not even that until the
    store's own folder changes: a thousand runs are not to be felt by what measures here.

    Args:
        store: the results folder.
    """

    over = False

    def __init__(self, store: str) -> None:
        self._store, self._root = store, Path(store)
        self._clock = SystemClock()
        self._runs: tuple[Path, ...] = ()
        self._seen_s = -1.0
        self._known: dict[str, _Known] = {}
        self._followed: dict[str, tuple[Follower, Journal]] = {}
        self._told = ""

    def look(self) -> Sequence[News]:
        """See :class:`~orchestrator.adapters.web.library.Watcher`."""
        anew = self._folder_changed()
        if anew:
            self._runs = finding.folders(self._root).runs
        if not self._known:
            journals = {path.name: _journal(path) for path in self._runs}
            lines = folder_store(self._store).lines()
            self._known = {
                line.id: _Known(journals[line.id], line.state, tally_text(line.tally))
                for line in lines
                if line.id in journals
            }
        names = {path.name for path in self._runs}
        self._known = {name: known for name, known in self._known.items() if name in names}
        for path in self._runs:
            if anew or self._known.get(path.name, _UNKNOWN).state != "done":
                with suppress(StoreError):  # a run that cannot be read is named by the list
                    self._look_at(path)
        version = states_version((name, known.state) for name, known in self._known.items())
        going_on = {name: known.trials for name, known in self._known.items() if known.state == "running"}
        data = json.dumps({"version": version, "trials": going_on})
        news = [News("runs", data)] if data != self._told else []
        self._told = data
        return news

    def _folder_changed(self) -> bool:
        """Whether a run may have come, gone or been replaced since the last look."""
        try:
            changed_s = self._root.stat().st_mtime
        except OSError:
            return True
        before, self._seen_s = self._seen_s, changed_s
        return changed_s != before or self._clock.now() < changed_s + SETTLED_AFTER_S

    def _look_at(self, path: Path) -> None:
        known, journal = self._known.get(path.name), _journal(path)
        if known is not None and known.journal == journal and known.state != "running":
            return
        if path.name not in self._followed:
            self._followed[path.name] = (Follower(self._root, path.name, SystemClock()), Journal())
        follower, taken = self._followed[path.name]
        glance = follower.look()
        status = status_of(glance, journal=taken)
        self._known[path.name] = _Known(journal, glance.state, tally_text(_tally(status)))
        if glance.state != "running":
            del self._followed[path.name]


def states_version(states: Iterable[tuple[str, str]]) -> str:
    """A name for which runs there are, and in which state each is."""
    return blake2b(repr(sorted(states)).encode("utf-8", "surrogatepass"), digest_size=8).hexdigest()


def _version(folder: RunFolder, status: Status) -> str:
    """A name for all that a report tells of a run: of one that goes on, trials that have ended; else its files."""
    if not status.over:
        return f"{status.ended}-{status.put_apart}"
    signed = signature(folder)
    return "unreadable" if signed is None else signed.digest


def _journal(path: Path) -> tuple[int, int]:
    """Size and time of a run's journal; a journal that is not there has neither."""
    try:
        found = RunFolder(path).journal.stat()
    except OSError:
        return (0, 0)
    return (found.st_size, found.st_mtime_ns)


def _tally(status: Status) -> Tally:
    return Tally(planned=status.planned, **{word: status.outcomes[word] for word in ("measured", "unsteady", "failed")})
