"""What a trial leaves that is not, or no longer, a result: its draft while it is in hand, and what was put apart.

A draft is for a person to look at after a night that broke off, so it is left to the operating system when it gets to
the disk, and it is bounded; a trial that does not count keeps what it had measured under ``discarded/``.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from orchestrator.adapters.store.atomic import PARTIAL, explained, make_folders, replace_file, sync, write_all
from orchestrator.adapters.store.inspecting import entries
from orchestrator.adapters.store.json_file import document
from orchestrator.adapters.store.layout import DISCARDED_RECORD, RunFolder
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.discarded import CUT_SHORT, Discarded
from orchestrator.engine.ports import Line, SampleSeries
from orchestrator.units import utc_text

#: Of what the workload prints, as much as the trial's log keeps.
_OUTPUT_BYTES = 4 * 2**20
#: Ten minutes of a host with 256 CPUs, read every second.
_SERIES_BYTES = 64 * 2**20

NOT_STORED = "the run was cut short while it was being stored"


class FolderDraft:
    """:class:`~orchestrator.engine.ports.Draft` as JSON lines: a file for each series, and one for the output."""

    def __init__(self, folder: Path, tell: Callable[[str], None]) -> None:
        """Nothing is written yet. ``tell`` is told once, where the disk refuses; what comes after is forgotten."""
        self._folder, self._tell = folder, tell
        self._files: dict[str, int] = {}
        self._room: dict[str, int] = {}
        self._open = True

    def sample(self, series: SampleSeries, sample: Sample) -> None:
        """Add a reading of counters."""
        row = {"time_s": sample.time_s, "uncertainty_s": sample.uncertainty_s, "source_ns": sample.source_ns}
        self._add(f"{series}.jsonl", [row | dict(sample.values)], _SERIES_BYTES)

    def lines(self, lines: Sequence[Line]) -> None:
        """Add what the workload printed."""
        rows: list[Mapping[str, object]] = [{"time_s": line.arrived_s, "text": line.text} for line in lines]
        self._add("output.jsonl", rows, _OUTPUT_BYTES)

    def close(self) -> None:
        """Write no more."""
        self._open = False
        while self._files:
            os.close(self._files.popitem()[1])

    def _add(self, name: str, rows: Sequence[Mapping[str, object]], most_bytes: int) -> None:
        if not self._open or not rows:
            return
        content = "".join(f"{json.dumps(row)}\n" for row in rows).encode()
        room = self._room[name] = self._room.get(name, most_bytes) - len(content)
        if room < 0:
            return
        try:
            write_all(self._file(name), content, self._folder / name)
        except OSError as error:
            self.close()
            self._tell(
                f"what the trial in hand measures cannot be kept as it comes ({error.filename}: {error.strerror}); the "
                "trial goes on, and is kept at its end if there is room then"
            )

    def _file(self, name: str) -> int:
        if name not in self._files:
            if not self._files:
                self._folder.mkdir(parents=True, exist_ok=True)
            flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC
            self._files[name] = os.open(self._folder / name, flags, 0o666)
        return self._files[name]


def remove_draft(run: RunFolder, trial: str) -> None:
    """A draft whose trial is kept is needed no more; what cannot be removed is named when the run is read."""
    shutil.rmtree(run.unfinished / trial, ignore_errors=True)
    _remove_empty(run.unfinished)


def put_apart(run: RunFolder, source: Path, trial: str, reason: str) -> None:
    """Move a folder of a trial under ``discarded/`` and say there why.

    Raises:
        StoreError: when the system refuses.
    """
    with explained("write", run.discarded):
        make_folders(run.discarded)
        number = 1
        while (place := run.discarded / f"{trial}-{number}").exists():
            number += 1
        source.rename(place)
        sync(source.parent)
        sync(run.discarded)
    _remove_empty(run.unfinished)
    _explain(run, place, trial, reason)


def put_drafts_apart(run: RunFolder, kept: set[str]) -> None:
    """Put apart what no process is at work on any more: drafts, and trials that were being stored.

    Args:
        run: the folder, which nobody else writes to.
        kept: trials that are there whole.

    Raises:
        StoreError: when the system refuses.
    """
    for path in entries(run.unfinished):
        if path.name in kept:
            remove_draft(run, path.name)
        else:
            put_apart(run, path, path.name, CUT_SHORT)
    for path in entries(run.trials):
        if path.name.startswith(PARTIAL):
            put_apart(run, path, path.name.removeprefix(PARTIAL).rpartition("-")[0], NOT_STORED)
    for path in entries(run.discarded):
        if not (path / DISCARDED_RECORD).is_file():  # there was no room for the reason, or no time
            _explain(run, path, path.name.rpartition("-")[0], CUT_SHORT)
    with explained("write", run.path):
        for path in (*entries(run.path), *entries(run.before)):
            if path.name.startswith(PARTIAL):  # the file it was to become is written anew
                shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)


def _explain(run: RunFolder, place: Path, trial: str, reason: str) -> None:
    with explained("read", place):
        last_s = max((path.stat().st_mtime for path in place.rglob("*")), default=place.stat().st_mtime)
    where = place.relative_to(run.path).as_posix()
    record = Discarded(trial=trial, reason=reason, last_written_utc=utc_text(last_s), folder=where)
    replace_file(place / DISCARDED_RECORD, document(record))


def _remove_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        return
