"""The screen that pages are drawn on: a terminal with what it can do, or plain lines of ASCII."""

from __future__ import annotations

import os
from typing import TextIO

from rich.console import Console

#: Width of a page where there is no terminal to ask.
PAGE = 100
#: What a terminal calls itself that knows no control sequences (terminfo's ``dumb`` and ``unknown``).
_SIMPLE = frozenset({"dumb", "unknown"})


def screen(stream: TextIO, *, plain: bool) -> Console:
    """A console on a stream, as wide as its terminal, or as COLUMNS says. NO_COLOR is honoured, by rich.

    Only the stream itself makes it a terminal: FORCE_COLOR, which asks for colours in the log of a build, would have a
    moving panel there as well.

    Args:
        stream: standard output or standard error.
        plain: whether there are no colours, no bold, no moving, and none but ASCII signs of ours.
    """
    width = None if stream.isatty() or "COLUMNS" in os.environ else PAGE
    terminal = stream.isatty() and not plain and os.environ.get("TERM", "").lower() not in _SIMPLE
    kind = _Ascii if plain else Console
    return kind(file=stream, width=width, force_terminal=terminal, highlight=False, soft_wrap=False)


class _Ascii(Console):
    """A console that has its pages in ASCII, whatever its stream could write; what it is given stays as it is."""

    @property
    def encoding(self) -> str:
        """What pages are asked to be drawn for."""
        return "ascii"
