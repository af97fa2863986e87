"""What is not as it was: a guest's definition and power state, in lines for a person."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Literal, TypeAlias

from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Hypervisor, SavedGuest
from orchestrator.errors import StageError

Found: TypeAlias = Literal["same", "differs", "unknown"]

#: A definition is told by some of the lines that differ; all of them are in the files.
_MOST_LINES = 12
_MOST_CHARACTERS = 160
#: Beyond so many lines, comparing takes longer than anybody wants to wait.
_MOST_COMPARED = 5000
#: A definition may hold a display's password.
_SECRET = re.compile(r"""((?:passw\w*|secret|token)["']?\s*[=:]\s*)("[^"]*"|'[^']*'|\S+)""", re.IGNORECASE)


@dataclass(frozen=True)
class Comparison:
    """A guest as it is now against how it was kept.

    Attributes:
        guest: its name in the lab.
        found: ``same``, ``differs``, or ``unknown`` where its host could not be asked.
        lines: what differs, or why it is not known; empty where it is the same.
    """

    guest: str
    found: Found
    lines: tuple[str, ...] = ()


def compare(guest: str, saved: SavedGuest, hypervisor: Hypervisor) -> Comparison:
    """Compare a guest with how it was kept; changes nothing."""
    try:
        described = hypervisor.describe()
    except StageError as error:
        return Comparison(guest, "unknown", (str(error),))
    try:
        now = hypervisor.save()
    except StageError as error:
        lines: tuple[str, ...] = (str(error),)  # one that could not be kept, such as a paused one, is not what was kept
    else:
        lines = tuple(guest_differences(saved, now))
        if now.running and not described.runs_as_defined:
            lines += ("it runs, but not as it is defined: it is still the machine that it was started as",)
    return Comparison(guest, "differs" if lines else "same", lines)


def definition_digest(saved: SavedGuest) -> str:
    """SHA-256 of a guest's definition, whatever its power state."""
    digest = hashlib.sha256()
    for name in sorted(saved.files):
        for part in (name.encode("utf-8", "surrogateescape"), saved.files[name]):
            digest.update(b"%d:%b" % (len(part), part))
    return digest.hexdigest()


def guest_differences(was: SavedGuest, now: SavedGuest) -> Iterator[str]:
    """Definition and power state, a line for each difference."""
    if was.running != now.running:
        yield f"power: was {_power(was)}, is {_power(now)}"
    for name in sorted(was.files.keys() | now.files.keys()):
        before, after = was.files.get(name), now.files.get(name)
        if before is None or after is None:
            yield f"{printable(name)}: {'was not there' if before is None else 'is not there any more'}"
        elif before != after:
            yield from (f"{printable(name)}: {line}" for line in _text_differences(before, after))


def _power(guest: SavedGuest) -> str:
    return "on" if guest.running else "off"


def _text_differences(before: bytes, after: bytes) -> Iterator[str]:
    """The lines of a text that differ: an element each where it is XML as hypervisors print it."""
    try:
        old, new = ([line.strip() for line in content.decode().splitlines()] for content in (before, after))
    except UnicodeDecodeError:
        yield f"{len(before)} bytes were, {len(after)} bytes are; they are no text"
        return
    if old == new:
        yield "differs in blanks only"
        return
    if max(len(old), len(new)) > _MOST_COMPARED:
        yield f"{len(old)} lines were, {len(new)} lines are"
        return
    found = [
        (old[i:j], new[k:m])
        for tag, i, j, k, m in SequenceMatcher(a=old, b=new, autojunk=False).get_opcodes()
        if tag != "equal"
    ]
    pairs = [pair for was, now in found for pair in _paired(was, now)]
    for was_line, now_line in pairs[:_MOST_LINES]:
        yield f"was {_shown(was_line)}, is {_shown(now_line)}"
    if len(pairs) > _MOST_LINES:
        yield f"and {len(pairs) - _MOST_LINES} more lines"


def _paired(was: list[str], now: list[str]) -> Iterator[tuple[str, str]]:
    for number in range(max(len(was), len(now))):
        yield (was[number] if number < len(was) else "", now[number] if number < len(now) else "")


def _shown(line: str) -> str:
    if not line:
        return "nothing"
    plain = _SECRET.sub(r"\1(not shown)", printable(line))
    return plain if len(plain) <= _MOST_CHARACTERS else f"{plain[:_MOST_CHARACTERS]}..."
