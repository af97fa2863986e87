"""A stream of bytes cut into lines, whatever a machine prints: memory stays bounded, nothing is interpreted."""

from __future__ import annotations

from orchestrator.engine.ports import MAX_LINE, Line
from orchestrator.units import Seconds

# The longest UTF-8 sequence has 4 bytes, so this many bytes always hold MAX_LINE characters, if the line has so many.
_MAX_BYTES = 4 * MAX_LINE


class LineSplitter:
    """Cuts a stream into lines.

    A line ends with LF or CR LF, or with the stream. It is decoded as UTF-8 with replacement, and cut at ``MAX_LINE``
    characters; NUL and escape sequences are data and stay.
    """

    def __init__(self) -> None:
        self._part = bytearray()
        self._cut = False

    def feed(self, data: bytes, arrived_s: Seconds) -> list[Line]:
        """The lines that ``data`` ends."""
        *ends, rest = data.split(b"\n")
        lines = []
        for piece in ends:
            self._add(piece)
            lines.append(self._take(arrived_s))
        self._add(rest)
        return lines

    def finish(self, arrived_s: Seconds) -> list[Line]:
        """What is left when the stream ends without the end of a line."""
        return [self._take(arrived_s)] if self._part or self._cut else []

    def _add(self, piece: bytes) -> None:
        room = _MAX_BYTES - len(self._part)
        self._part += piece[:room]
        self._cut |= len(piece) > room

    def _take(self, arrived_s: Seconds) -> Line:
        whole = bytes(self._part)
        text = (whole if self._cut else whole.removesuffix(b"\r")).decode("utf-8", "replace")
        line = Line(text[:MAX_LINE], arrived_s, self._cut or len(text) > MAX_LINE)
        self._part.clear()
        self._cut = False
        return line
