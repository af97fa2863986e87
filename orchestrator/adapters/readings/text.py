"""Bytes of unknown origin to lines of text, and the list of everything wrong with them."""

from __future__ import annotations

import codecs
import re

from orchestrator.errors import InputError, Problem

#: Longer lines are no reading of anybody's; refusing them keeps messages and memory small.
LONGEST_LINE = 64 * 1024
#: More problems than these are counted and not listed.
MOST_LISTED = 50

_LINE_END = re.compile(r"\r\n|\n|\r")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)


class Problems:
    """Collects what is wrong with one file, so that all of it can be said at once."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._found: list[tuple[int, Problem]] = []
        self._unlisted = 0

    def add(self, message: str, *, line: int | None = None, column: str | None = None) -> None:
        """Note one problem; ``column`` is a column's name."""
        if len(self._found) == MOST_LISTED:
            self._unlisted += 1
            return
        where = ":".join(
            [self.name, *([str(line)] if line is not None else []), *([column] if column is not None else [])]
        )
        self._found.append((line or 0, Problem(where, "", message)))

    def raise_if_any(self) -> None:
        """Raise InputError with every problem noted so far, in the order of lines; do nothing when there is none."""
        if not self._found:
            return
        listed = [problem for _, problem in sorted(self._found, key=lambda found: found[0])]
        if self._unlisted:
            listed.append(Problem(self.name, "", f"{self._unlisted} more problems like these are not listed"))
        raise InputError(listed)


def lines_of(name: str, data: bytes) -> list[str]:
    """Decode a file and split it into lines; the first line is line 1 of every message.

    UTF-8 with or without a byte order mark, and UTF-16 with one, as spreadsheets write them; line ends of every system.

    Raises:
        InputError: when the file is empty, is not text, or has a line beyond ``LONGEST_LINE`` characters.
    """
    problems = Problems(name)
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        where, encoding = (name, "UTF-16") if wide else (f"{name}:{line}", "UTF-8")
        message = f"is not text: byte {error.start} of the file is not {encoding}; save it as UTF-8"
        raise InputError([Problem(where, "", message)]) from error
    if "\0" in text:
        problems.add("is not text: it holds zero bytes", line=_LINE_END.subn("", text[: text.index("\0")])[1] + 1)
    elif not text.strip():
        problems.add("is empty; there is nothing to read")
    lines = _LINE_END.split(text)
    for number, content in enumerate(lines, start=1):
        if len(content) > LONGEST_LINE:
            problems.add(f"is {len(content):,} characters long; at most {LONGEST_LINE:,} are read", line=number)
    problems.raise_if_any()
    return lines


def is_number(text: str) -> bool:
    """Whether a text is a plain decimal number: no NaN, no infinity, no separators of thousands."""
    return _NUMBER.fullmatch(text) is not None
