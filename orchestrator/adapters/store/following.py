"""One run watched from another process: each look reads only what the journal has gained since the last one."""

from __future__ import annotations

import os
from pathlib import Path

from orchestrator.adapters.store import finding, journal_file
from orchestrator.adapters.store.atomic import explained
from orchestrator.adapters.store.json_file import load
from orchestrator.adapters.store.layout import instant
from orchestrator.adapters.store.living import lives, sign_of_life
from orchestrator.core.record.journal import OPEN, Event, progress
from orchestrator.core.record.run import RunRecord
from orchestrator.engine.ports import Clock
from orchestrator.engine.status import Glance


class Follower:
    """Looks at one run. It reads no trial, so that a look costs the machine that measures next to nothing.

    Args:
        root: the results folder.
        run: an id, the beginning of one, ``last``, or the path of a folder.
        clock: the wall clock.

    Raises:
        StoreError: there is no such run, or its ``run.json`` cannot be read.
    """

    def __init__(self, root: Path, run: str, clock: Clock) -> None:
        self._folder = finding.resolve(root, run)
        self._clock = clock
        record = load(RunRecord, self._folder.record)
        self._record = record.model_copy(update={"id": self._folder.path.name})
        self._events: list[Event] = []
        self._read_bytes = 0
        self._state = OPEN
        self.problems: list[str] = []

    def look(self) -> Glance:
        """The run as it is now.

        Raises:
            StoreError: its journal cannot be read.
        """
        now_s = self._clock.now()
        alive = sign_of_life(self._folder)
        living = lives(self._folder, alive, now_s)
        self._read_on()  # after the lock was looked at: whoever has let go of it has written how the run ended
        state, heard_utc = self._state, ""
        if state == OPEN:
            state = "running" if living else "crashed"
            last_utc = self._events[-1].time_utc if self._events else self._record.started_utc
            heard_utc = last_utc if alive is None else max(last_utc, alive.time_utc, key=instant)
        return Glance(self._record, str(self._folder.path), state, heard_utc, alive, tuple(self._events), now_s)

    def _read_on(self) -> None:
        """Take in the whole lines that the journal has gained; one that is cut short is being written."""
        path = self._folder.journal
        with explained("read", path), path.open("rb") as file:
            if file.seek(0, os.SEEK_END) < self._read_bytes:  # another journal lies there now
                self._events, self._read_bytes, self._state, self.problems = [], 0, OPEN, []
            file.seek(self._read_bytes)
            gained = file.read()
        whole = gained[: gained.rfind(b"\n") + 1]
        if not whole:
            return
        read = journal_file.parse(whole, path)
        self._events += read.events
        self._state = progress(self._events).state
        self.problems += map(self._folder.within, read.problems)
        self._read_bytes += len(whole)
