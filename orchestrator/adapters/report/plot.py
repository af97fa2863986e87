"""A series as a plot made of text: columns that stand on zero, with the steady window marked below."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderResult

from orchestrator.adapters.report.text import Text
from orchestrator.core.measure.results import Window
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.verdict.words import number

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LABEL, _WIDEST = 9, 200


@dataclass(frozen=True)
class Plot:
    """Rates over time.

    Each column is the mean rate over its share of the time axis, weighted by time; a column that no interval covers
    stays empty, so that a gap shows. The axis of the rates starts at zero: a small change is not made to look large.

    Attributes:
        series: times in seconds since launch.
        factor: what rates are multiplied by to get the figures at the axis.
        window: marked below the axis.
        height: rows.
        since: what times count from.
    """

    series: Throughput
    factor: float = 1.0
    window: Window | None = None
    height: int = 6
    since: str = "launch"

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw for the width and the characters that there are."""
        pieces = [
            (end - width, end, rate * self.factor)
            for end, width, rate in zip(self.series.time_s, self.series.width_s, self.series.rate, strict=True)
            if math.isfinite(end) and math.isfinite(rate) and width > 0
        ]
        if len(pieces) < 2:
            yield Text("  too few readings to plot")
            return
        axis = _Axis(min(pieces[0][0], 0.0), pieces[-1][1], max(min(options.max_width, _WIDEST) - _LABEL - 3, 10))
        means = axis.means(pieces)
        top = max((mean for mean in means if mean is not None), default=0.0)
        for row in range(self.height, 0, -1):
            label = number(top) if row == self.height else "0" if row == 1 else ""
            cells = "".join(_cell(mean, top, row, self.height, ascii_only=options.ascii_only) for mean in means)
            yield _line(f"{label:>{_LABEL}} |{cells}")
        yield _line(f"{'':{_LABEL}} +{axis.marked(self.window)}")
        left, right = f"{axis.start:.0f} s", f"{axis.end:.0f} s since {self.since}"
        yield _line(f"{'':{_LABEL}}  {left}{right:>{max(axis.width - len(left), len(right) + 1)}}")


@dataclass(frozen=True)
class _Axis:
    """Time from ``start`` to ``end`` (s), divided into ``width`` columns."""

    start: float
    end: float
    width: int

    def column(self, at: float) -> int:
        """The column that a time belongs to, or the nearest."""
        return min(max(int((at - self.start) / (self.end - self.start) * self.width), 0), self.width - 1)

    def means(self, pieces: list[tuple[float, float, float]]) -> list[float | None]:
        """The mean over each column of a rate that is constant from begin to end of each piece."""
        step = (self.end - self.start) / self.width
        sums, covered = [0.0] * self.width, [0.0] * self.width
        for begin, end, rate in pieces:
            for column in range(self.column(begin), self.column(end) + 1):
                left = self.start + column * step
                overlap = min(end, left + step) - max(begin, left)
                if overlap > 0:
                    sums[column] += rate * overlap
                    covered[column] += overlap
        return [total / time if time > step / 4 else None for total, time in zip(sums, covered, strict=True)]

    def marked(self, window: Window | None) -> str:
        """The axis, with the window as a bracket on it."""
        line = ["-"] * self.width
        if window is not None:
            first, last = sorted((self.column(window.start_s), self.column(window.end_s)))
            name = " steady window "
            line[first : last + 1] = f"{name if len(name) <= last - first - 1 else '':=^{last - first + 1}}"
            line[first], line[last] = "[", "]"
        return "".join(line)


def _line(text: str) -> Text:
    return Text(text, no_wrap=True, overflow="crop")


def _cell(mean: float | None, top: float, row: int, height: int, *, ascii_only: bool) -> str:
    if mean is None or top <= 0:
        return " "
    eighths = round(max(mean, 0.0) / top * height * 8) - (row - 1) * 8
    if ascii_only:
        return "#" if eighths >= 4 else " "
    return _EIGHTHS[min(max(eighths, 0), 8)]
