"""The journal as a file: one JSON object a line, appended and synced, and read back whatever state it is in."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from orchestrator.adapters.store.atomic import explained, sync, write_all
from orchestrator.core.record.journal import Event

#: Enough for the last dozens of events: the state of a run is told by its last few.
_TAIL_BYTES = 16 * 1024


@dataclass(frozen=True)
class JournalRead:
    """What a journal holds.

    Attributes:
        events: in order.
        problems: lines that cannot be read, and a last line that was cut short.
    """

    events: tuple[Event, ...]
    problems: tuple[str, ...]


def append(path: Path, event: Event) -> None:
    """Add one line; it is on the disk when this returns, or the file is as it was before.

    Raises:
        StoreError: when the system refuses.
    """
    line = event.model_dump_json(fallback=str).encode() + b"\n"
    with explained("write", path):
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            before = os.fstat(descriptor).st_size
            try:
                write_all(descriptor, line, path)
                os.fsync(descriptor)
            except BaseException:
                os.ftruncate(descriptor, before)
                raise
        finally:
            os.close(descriptor)


def read(path: Path) -> JournalRead:
    """All events.

    Raises:
        StoreError: when the file cannot be read at all.
    """
    with explained("read", path):
        content = path.read_bytes()
    return _parse(content, path, first_line=1)


def read_tail(path: Path) -> JournalRead:
    """The last events only: enough to tell in which state a run is, and as quick for a long journal as for a short one.

    Raises:
        StoreError: when the file cannot be read at all.
    """
    with explained("read", path), path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - _TAIL_BYTES))
        content = file.read()
    if size > _TAIL_BYTES:
        content = content[content.find(b"\n") + 1 :]
    return _parse(content, path, first_line=None)


def parse(content: bytes, path: Path) -> JournalRead:
    """The events of a part of a journal that was read from ``path``."""
    return _parse(content, path, first_line=None)


def _parse(content: bytes, path: Path, first_line: int | None) -> JournalRead:
    *lines, torn = content.split(b"\n")
    events: list[Event] = []
    problems: list[str] = []
    for number, line in enumerate(lines, start=first_line or 0):
        try:
            events.append(Event.model_validate_json(line))
        except ValidationError:
            where = f"{path}:{number}" if first_line is not None else str(path)
            problems.append(f"{where}: a line is not an event, and was left out; restore the file from a copy")
    if torn:
        problems.append(f"{path}: the last line was cut short ({len(torn)} bytes), and was left out; the others stand")
    return JournalRead(tuple(events), tuple(problems))


def set_torn_line_aside(path: Path, aside: Path) -> None:
    """Move a last line that a crash cut short to another file, so that the next event begins a line of its own.

    Raises:
        StoreError: when the system refuses; the piece is never in neither file.
    """
    with explained("write", path):
        content = path.read_bytes()
        whole = content.rfind(b"\n") + 1
        if whole == len(content):
            return
        descriptor = os.open(aside, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            write_all(descriptor, content[whole:] + b"\n", aside)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        sync(aside.parent)
        os.truncate(path, whole)
