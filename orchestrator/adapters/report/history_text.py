"""The history of cells on a page: a line a run with a mark on a common scale, what changed before it, the sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding

from orchestrator.adapters.report.figures import rate_text
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import minute
from orchestrator.adapters.report.sections import bullets
from orchestrator.adapters.report.text import Text, as_drawn
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.history.results import CellHistory, Point, Upgrade
from orchestrator.core.verdict.words import count, number
from orchestrator.units import PERIODS, format_size

#: Of changes that are likely to matter all are shown, of the others so many.
_OTHERS_SHOWN = 2
#: Of a SHA-256, enough to tell two versions of a file apart.
_DIGITS = 12
_NARROWEST_SCALE, _WIDEST_SCALE = 12, 80
#: A scale spans this share of the level at least, so that noise of a permille does not fill it.
_LEAST_SPREAD = 0.02


def render_histories(cells: Sequence[CellHistory], per: str) -> RenderableType:
    """Each cell under a heading of its own; the answer comes first, the runs below it."""
    parts: list[RenderableType] = []
    names = Counter((cell.cell, cell.guest) for cell in cells)
    for cell in cells:
        parts += [*_cell(cell, per, alone=names[cell.cell, cell.guest] == 1), Text()]
    if len(cells) > 1:
        parts.append(_dim("Each cell is judged by itself, at 95 %: one in twenty that are level seems to change."))
    parts.append(
        _dim("+: what changed before a run; ':': the level; o: mean of a run, on its interval by the trials within it.")
    )
    return Group(*parts)


def _cell(cell: CellHistory, per: str, *, alone: bool) -> Iterator[RenderableType]:
    memory = "" if cell.memory is None else f", {format_size(cell.memory)}"
    size = f"{count(cell.vcpus, 'vCPU')}{memory}"
    yield Text(safe(cell.cell), style="bold")
    runs = count(len(cell.points), "run")
    files = ", ".join(f"{name} {digest[:_DIGITS]}" for name, digest in cell.files.items())
    which = "" if alone or not files else f"; files of the load: {files}"
    about = f"{size} on {cell.guest} ({cell.guest_kind}), {runs}, operations per {per}{which}"
    yield Padding(_dim(about), (0, 0, 0, 2))
    yield from bullets([*cell.answer, *cell.remarks])
    yield _Runs(cell, per)


def _dim(text: str) -> Text:
    return Text(safe(text), style="dim")


@dataclass(frozen=True)
class _Runs:
    """A line a run, as wide as the page allows."""

    cell: CellHistory
    per: str

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw for the width that there is."""
        points = self.cell.points
        rates = [as_drawn(rate_text(_interval(p), self.per), options) for p in points]
        rows = [[safe(p.short), minute(p.started_utc), rate] for p, rate in zip(points, rates, strict=True)]
        if _width(rows) + _NARROWEST_SCALE + 6 > options.max_width:
            rows = [[name, figure] for name, _, figure in rows]  # a run's name begins with its time
        left = options.max_width - _width(rows) - 6
        scale = _Scale.of(points, min(left, _WIDEST_SCALE)) if left >= _NARROWEST_SCALE else None
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        called = self.cell.cell
        for point, row in zip(points, rows, strict=True):
            for line in _changes(point.changed):
                yield Padding(Text(f"+ {line}", style="cyan"), (0, 0, 0, 4))
            *names, figure = row
            told = "  ".join(f"{name:<{width}}" for name, width in zip(names, widths, strict=False))
            mark = "" if scale is None else f"  {scale.drawn(point)}"
            yield Text(f"  {told}  {figure:>{widths[-1]}}{mark}", no_wrap=True, overflow="ignore")
            if aside := _aside(point, called):
                yield Padding(_dim(aside), (0, 0, 0, 4))
            called = point.cell
        if scale is not None:
            ends = [number(end * PERIODS[self.per]) for end in (scale.low, scale.high)]
            gap = max(scale.width - len(ends[0]) - len(ends[1]), 1)
            yield Text(f"{'':{_width(rows) + 5}}{ends[0]}{'':{gap}}{ends[1]}", style="dim")


def _width(rows: Sequence[Sequence[str]]) -> int:
    """Of columns that stand two blanks apart."""
    return sum(max(map(len, column)) + 2 for column in zip(*rows, strict=True)) - 2


def _aside(point: Point, called: str) -> str:
    """What is special about a run; another name than before is told once."""
    state = "" if point.state == "done" else f"{point.state}, {count(point.trials, 'trial')}"
    name = "" if point.cell == called else f"called {point.cell} from here on"
    return "; ".join(filter(None, (state, name)))


@dataclass(frozen=True)
class _Scale:
    """From the lowest to the highest that is drawn, in operations per second, over so many columns."""

    low: float
    high: float
    width: int

    @staticmethod
    def of(points: Sequence[Point], width: int) -> _Scale:
        """A scale on which all runs find room."""
        low = min(p.per_s if p.low is None else p.low for p in points)
        high = max(p.per_s if p.high is None else p.high for p in points)
        middle = (low + high) / 2
        half = max((high - low) / 2, middle * _LEAST_SPREAD / 2)
        return _Scale(max(middle - half, 0.0), middle + half, width)

    def drawn(self, point: Point) -> str:
        """The interval as a line, the mean on it, and the level beside it where it lies apart."""
        cells = [" "] * self.width
        low, high = (point.low or point.per_s), (point.high or point.per_s)
        for column in range(self._column(low), self._column(high) + 1):
            cells[column] = "-"
        cells[self._column(point.level_per_s)] = ":"
        cells[self._column(point.per_s)] = "o"
        return f"|{''.join(cells)}|"

    def _column(self, value: float) -> int:
        place = (value - self.low) / (self.high - self.low) if self.high > self.low else 0.5
        return min(max(int(place * self.width), 0), self.width - 1)


def _interval(point: Point) -> Interval:
    return Interval(mean=point.per_s, low=point.low, high=point.high)


def _changes(changed: Sequence[Upgrade]) -> Iterator[str]:
    """What changed, those that are likely to matter in full."""
    likely = [upgrade for upgrade in changed if upgrade.weight == "likely"]
    others = [upgrade for upgrade in changed if upgrade.weight != "likely"]
    yield from (safe(upgrade.sentence) for upgrade in [*likely, *others[:_OTHERS_SHOWN]])
    if (more := len(others) - _OTHERS_SHOWN) > 0:
        yield f"{more} more that {'is' if more == 1 else 'are'} less likely to matter; --json has them"
