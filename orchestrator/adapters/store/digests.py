"""SHA-256 digests in the format that ``sha256sum --check`` reads (GNU coreutils manual, "md5sum invocation")."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping
from pathlib import Path

from orchestrator.adapters.store.atomic import explained
from orchestrator.errors import StoreError

_LINE = re.compile(r"(\\?)([0-9a-f]{64}) [ *](.+)")
_ESCAPES = (("\\", "\\\\"), ("\n", "\\n"), ("\r", "\\r"))


def sha256(content: bytes) -> str:
    """Digest in lower-case hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def sha256_file(path: Path) -> str:
    """Digest of a file, read in pieces.

    Raises:
        StoreError: when it cannot be read.
    """
    with explained("read", path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def sums_text(digests: Mapping[str, str]) -> str:
    """The lines of a digest file, sorted by name."""
    return "".join(_line(name, digests[name]) for name in sorted(digests))


def _line(name: str, digest: str) -> str:
    escaped = name
    for character, written in _ESCAPES:
        escaped = escaped.replace(character, written)
    mark = "" if escaped == name else "\\"
    return f"{mark}{digest}  {escaped}\n"


def read_sums(path: Path) -> dict[str, str]:
    """File name to digest.

    Raises:
        StoreError: when the file cannot be read or a line is not what ``sha256sum`` writes.
    """
    with explained("read", path):
        text = path.read_text("utf-8", errors="surrogateescape")
    found: dict[str, str] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if match is None:
            raise StoreError(f"{path}:{number}: not a line of digest and file name; restore the file from a copy")
        found[_unescaped(match[3]) if match[1] else match[3]] = match[2]
    return found


def _unescaped(name: str) -> str:
    plain = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}
    return re.sub(r"\\[\\nr]", lambda match: plain[match[0]], name)


def differences(folder: Path, digests: Mapping[str, str]) -> list[str]:
    """What is not as its digest says: files that are missing or changed, each as one sentence."""
    found: list[str] = []
    for name, digest in sorted(digests.items()):
        path = folder / name
        if not path.is_file():
            found.append(f"{name} is missing")
        elif sha256_file(path) != digest:
            found.append(f"{name} was changed after it was written")
    return found


def files_below(folder: Path) -> list[str]:
    """Every regular file in a folder and below, as paths relative to it with ``/``; links to folders are not followed.

    Raises:
        StoreError: when a folder cannot be read.
    """
    found: list[str] = []
    waiting = [(str(folder), "")]
    with explained("read", folder):
        while waiting:
            path, prefix = waiting.pop()
            try:
                entries = list(os.scandir(path))
            except FileNotFoundError:
                if not prefix:
                    raise
                continue  # it was renamed since its parent was read: a run that goes on does that
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append((entry.path, f"{prefix}{entry.name}/"))
                elif entry.is_file():
                    found.append(f"{prefix}{entry.name}")
    return sorted(found)
