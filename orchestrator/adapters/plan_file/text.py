"""Bytes to text: what a plan or lab may be as a file, before it is read as YAML."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from orchestrator.adapters.plan_file.source import Place
from orchestrator.core.design.wording import nearest, shown

#: A plan with the most values that are read (10,000) takes a third of it, and PyYAML two to four seconds for all of it.
MOST_BYTES = 2**20
#: Characters of a path that a message shows: all of them.
MOST_PATH = 4096
#: What the YAML specification (1.2.2, section 5.1) calls not printable.
_NOT_PRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


class UnreadableError(Exception):
    """The file cannot be read as text; ``place`` is where, if the fault has a place."""

    def __init__(self, message: str, place: Place | None = None) -> None:
        super().__init__(message)
        self.place = place


def read_bytes(path: Path, kind: str) -> bytes:
    """Read a file, and of one that is too large no more than tells so.

    Raises:
        UnreadableError: with what is there instead, and what to do.
    """
    try:
        if path.is_dir():
            raise UnreadableError(f"this is a folder; name the {kind} file in it{_there(path)}")
        if path.exists() and not path.is_file():
            raise UnreadableError(f"this is not a regular file; save the {kind} as a file")
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except FileNotFoundError as error:
        near = _near(path)
        advice = f"did you mean {shown(near, MOST_PATH)}?" if near is not None else f"check the path of the {kind}"
        raise UnreadableError(f"there is no such file; {advice}") from error
    except PermissionError as error:
        raise UnreadableError(f"the {kind} may not be read by this user; change its permissions") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableError(f"the {kind} cannot be read ({reason}); check its path") from error


def decode(content: bytes, kind: str) -> str:
    """Text of a file, without a byte order mark.

    Raises:
        UnreadableError: it is too large, or with the place of the first byte or character that cannot be.
    """
    if len(content) > MOST_BYTES:
        raise UnreadableError(f"the file is larger than 1 MiB, which no {kind} is; check that it is the right file")
    if content.startswith(_UTF16) or b"\0" in content[:4]:
        raise UnreadableError(f"the file is UTF-16 or UTF-32 text; save the {kind} as UTF-8", Place(1, 1))
    content = content.removeprefix(codecs.BOM_UTF8)
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        before = content[: error.start].decode()
        raise UnreadableError(
            f"byte {content[error.start]:#04x} is not UTF-8; save the {kind} as UTF-8", _after(before)
        ) from error
    if (odd := _NOT_PRINTABLE.search(text)) is not None:
        raise UnreadableError(f"control character U+{ord(odd[0]):04X}; remove it", _after(text[: odd.start()]))
    return text


def _after(text: str) -> Place:
    lines = re.split("\r\n|\r|\n", text)
    return Place(len(lines), len(lines[-1]) + 1)


def _there(folder: Path) -> str:
    names = sorted(entry.name for entry in folder.iterdir() if entry.suffix in {".yaml", ".yml"})
    return f": {', '.join(names[:12])}" if names else ""


def _near(path: Path) -> str | None:
    try:
        names = [entry.name for entry in path.parent.iterdir() if entry.suffix in {".yaml", ".yml"}]
    except OSError:
        return None
    near = nearest(path.name, names)
    return str(path.with_name(near)) if near is not None else None
