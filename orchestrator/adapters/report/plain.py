"""Text that came from elsewhere, made fit for a terminal: what could steer it, hide or reorder text becomes visible."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

#: Longer text is cut: a line of a table is no place for a megabyte.
LONGEST = 400
#: The same in a report. A paragraph of a plan or a line of a script may be long; a megabyte is neither.
LONGEST_IN_REPORT = 4000


def safe(text: str, limit: int = LONGEST) -> str:
    r"""Text from a guest, a plan or a machine, safe to print as it stands.

    Every character that is not a letter, mark, number, sign or the plain space is written as its escape: control
    characters and with them every terminal sequence (``\x1b``), line ends (``\n``), characters that reorder or hide
    text (``\u202e``, ``\u200b``), lone surrogates and characters without a meaning.

    Args:
        text: anything.
        limit: characters of ``text`` that are kept, a few more where that saves nothing; what was cut is counted.

    Returns:
        One line. It is not markup: hand it on as :class:`rich.text.Text`, never as a string to be parsed.
    """
    note = f"... ({len(text) - limit} more characters)" if len(text) > limit else ""
    if len(text) - limit <= len(note):
        note, limit = "", len(text)  # the note would be no shorter than what it stands for
    kept = text[:limit]
    if not kept.isprintable():
        kept = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in kept)
    return f"{kept}{note}"


def visible(value: Any) -> Any:
    """The same value with every text in it, at any depth, made safe; none is cut, since it may be an expression."""
    if isinstance(value, str):
        return safe(value, len(value))
    if isinstance(value, Mapping):
        return {visible(key): visible(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [visible(held) for held in value]
    return value
