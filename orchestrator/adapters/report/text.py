"""Text as every page for a terminal is made of: figures stay whole, and signs have a form for screens of ASCII only."""

from __future__ import annotations

import re
from collections.abc import Iterator

from rich import text as rich_text
from rich.console import Console, ConsoleOptions
from rich.measure import Measurement
from rich.segment import Segment

from orchestrator.adapters.report.signs import MINUS, UNITS, true_minus

#: A blank at which no line may end. It is for private use (Unicode 23.5), so no text that went through ``safe`` has it.
_GLUE = "\ue000"
#: ``5 %``, ``8.3 ms``, ``5 min 24 s``, ``155 ± 1.5``, ``2: 0.1/0.1/99.8``.
_WHOLE = re.compile(
    rf"(?<=\d) (?=(?:{UNITS})(?![\w%]))|(?<=\d (?:h|d)) (?=\d+ (?:min|h)\b)|(?<=\d min) (?=\d+ s\b)"
    r"|(?<=±) (?=\d)|(?<=[\d%]) (?=±)|(?<=\+/-) (?=\d)|(?<=[\d%]) (?=\+/-)|(?<=\d:) (?=[\d.?]+/)"
)
#: Of everything but ASCII that this program writes by itself, what stands for it.
ASCII = {
    "±": "+/-",
    "µ": "u",
    "°C": "C",
    "Krämer": "Kraemer",
    MINUS: "-",
    **dict(zip("▁▂▃▄▅▆▇█", "_.-~=+*#", strict=True)),
}
_SIGNS = re.compile("|".join(map(re.escape, ASCII)))


def to_ascii(text: str) -> str:
    """The same with our own signs in ASCII; letters of other languages stay."""
    return _SIGNS.sub(lambda sign: ASCII[sign[0]], text)


def as_drawn(text: str, options: ConsoleOptions) -> str:
    """What a text of one line becomes on this screen, for whoever has to know how long that is."""
    return to_ascii(text) if options.ascii_only else true_minus(text)


class Text(rich_text.Text):
    """A text of rich that ends no line between a figure and its unit, and has the signs that the screen can show."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        """Draw it for this width and these characters."""
        for segment in self._drawn(options).__rich_console__(console, options):
            yield Segment(segment.text.replace(_GLUE, " "), segment.style, segment.control)

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        """The narrowest that breaks no figure, and the widest."""
        return self._drawn(options).__rich_measure__(console, options)

    def _drawn(self, options: ConsoleOptions) -> rich_text.Text:
        drawn = self.copy()
        if (signs := self._signs(self.plain, options)) != self.plain:
            drawn.plain = signs
            drawn.spans = [
                rich_text.Span(self._place(start, options), self._place(end, options), style)
                for start, end, style in self.spans
            ]
        drawn.plain = _WHOLE.sub(_GLUE, drawn.plain)
        return drawn

    def _place(self, at: int, options: ConsoleOptions) -> int:
        """Where what stands there is drawn: a sign may take several letters."""
        return len(self._signs(self.plain[:at], options))

    def _signs(self, text: str, options: ConsoleOptions) -> str:
        return as_drawn(text, options)


class Given(Text):
    """A text that somebody else wrote, such as a title: its signs are left as they are."""

    def _signs(self, text: str, options: ConsoleOptions) -> str:
        del options
        return text
