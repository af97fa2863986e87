"""A cache of what listings and histories need of each run, so that a store of a thousand runs answers at once.

It is a convenience and never the truth: it may be deleted at any time, a store that cannot be written to does without,
one that is damaged is made anew, and each entry counts only while the files that it was made from look as they did then
(size, times, inode). An entry whose files have changed just now is not kept: another change within the same step of the
file system's clock would not show.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Collection, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from orchestrator.adapters.store.layout import INDEX, TRIAL_RECORD, RunFolder
from orchestrator.core.record.run_line import RunLine
from orchestrator.units import Seconds

#: Of what an entry holds and of what its signature is made; an index with another number is made anew.
_VERSION = 1
#: File systems step their times by up to two seconds (FAT).
SETTLED_AFTER_S = 3.0
_ANY = RunFolder(Path())
#: Of a run, by name: making a path of each would take longer than looking at them.
_FILES = (_ANY.record.name, _ANY.journal.name, _ANY.environment.name)
_TRIALS = _ANY.trials.name
#: How long another process is waited for; then it goes without.
_WAIT_S = 0.5


@dataclass(frozen=True)
class Signature:
    """How the files of a run look: a digest of their names, sizes, times and inodes, and when the youngest changed."""

    digest: str
    youngest_s: float

    def settled(self, now_s: Seconds | None) -> bool:
        """Whether any further change would show; without a clock that is not known."""
        return now_s is not None and self.youngest_s + SETTLED_AFTER_S < now_s


def signature(folder: RunFolder) -> Signature | None:
    """How the files that an entry is made from look; ``None`` where they cannot be looked at."""
    told: list[object] = []
    youngest = 0.0
    run = str(folder.path)
    trials = f"{run}/{_TRIALS}"
    try:
        looked_at = [f"{run}/{name}" for name in _FILES]
        with suppress(FileNotFoundError):
            looked_at += [f"{trials}/{name}/{TRIAL_RECORD}" for name in sorted(os.listdir(trials))]  # noqa: PTH208
        for path in looked_at:  # plain calls: a thousand runs have some ten thousand of these files
            told.append(path[len(run) :])
            with suppress(FileNotFoundError, NotADirectoryError):
                found = os.stat(path)  # noqa: PTH116
                told += [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]
                youngest = max(youngest, found.st_ctime, found.st_mtime)
    except OSError:
        return None
    return Signature(hashlib.blake2b(repr(told).encode(), digest_size=16).hexdigest(), youngest)


class Index:
    """The cache of one results folder, in one SQLite file.

    Args:
        root: the results folder.
    """

    def __init__(self, root: Path) -> None:
        self._path = root / INDEX
        self._entries = self._read()

    def line(self, name: str, signed: Signature) -> RunLine | None:
        """What is kept of the run in the folder of this name, if its files still look the same."""
        digest, document = self._entries.get(name, ("", ""))
        if digest != signed.digest:
            return None
        with suppress(ValidationError):
            return RunLine.model_validate_json(document)
        return None

    def update(self, new: Mapping[str, tuple[Signature, RunLine]], there: Collection[str]) -> None:
        """Keep new entries, and forget the runs that are not there any more. Where that fails, nothing is lost."""
        gone = self._entries.keys() - set(there)
        if not new and not gone:
            return
        try:
            self._write(new, gone)
        except sqlite3.OperationalError:
            pass  # read-only, no space, or somebody else is at it
        except sqlite3.DatabaseError:
            self._discard()
            with suppress(sqlite3.DatabaseError):
                self._write(new, gone)

    def _read(self) -> dict[str, tuple[str, str]]:
        if not self._path.is_file():
            return {}
        try:
            # Read-only: looking at a store leaves nothing behind in it.
            uri = f"{self._path.absolute().as_uri()}?mode=ro"
            with closing(sqlite3.connect(uri, uri=True, timeout=_WAIT_S)) as database:
                if database.execute("PRAGMA user_version").fetchone() != (_VERSION,):
                    return {}
                rows = database.execute("SELECT run, signature, line FROM runs").fetchall()
        except sqlite3.OperationalError:
            return {}
        except sqlite3.DatabaseError:
            self._discard()
            return {}
        return {str(run): (str(signed), str(line)) for run, signed, line in rows}

    def _write(self, new: Mapping[str, tuple[Signature, RunLine]], gone: Collection[str]) -> None:
        with closing(sqlite3.connect(self._path, timeout=_WAIT_S, isolation_level=None)) as database:
            database.execute("BEGIN IMMEDIATE")
            if database.execute("PRAGMA user_version").fetchone() != (_VERSION,):
                database.execute("DROP TABLE IF EXISTS runs")
                database.execute(f"PRAGMA user_version = {_VERSION}")
            database.execute(
                "CREATE TABLE IF NOT EXISTS runs (run TEXT PRIMARY KEY, signature TEXT, line TEXT) WITHOUT ROWID"
            )
            database.executemany("DELETE FROM runs WHERE run = ?", [(name,) for name in gone])
            rows = [(name, signed.digest, line.model_dump_json()) for name, (signed, line) in new.items()]
            database.executemany("INSERT OR REPLACE INTO runs VALUES (?, ?, ?)", rows)
            database.execute("COMMIT")

    def _discard(self) -> None:
        """Remove a damaged one. Its journal goes first: SQLite would roll it back into the next (atomiccommit.html)."""
        for path in (self._path.with_name(f"{INDEX}-journal"), self._path):
            with suppress(OSError):
                path.unlink(missing_ok=True)
