"""The bytes of a file that somebody names."""

from __future__ import annotations

import sys
from pathlib import Path

from orchestrator.errors import InputError, Problem

#: A series of a reading every 100 ms over a month is smaller.
MOST_BYTES = 256 * 2**20


def content(name: str) -> bytes:
    """The content of a file, or of standard input for ``-``.

    Raises:
        InputError: it cannot be read, or is larger than any readings are.
    """
    try:
        if name == "-":
            found = sys.stdin.buffer.read(MOST_BYTES + 1)
        else:
            with Path(name).open("rb") as file:
                found = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError([Problem(name, "", f"cannot be read ({reason}); check the path")]) from error
    if len(found) > MOST_BYTES:
        message = f"is larger than {MOST_BYTES // 2**20} MiB, which no readings are; check that it is the right file"
        raise InputError([Problem(name, "", message)])
    return found
