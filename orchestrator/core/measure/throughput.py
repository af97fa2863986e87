"""What a workload printed, turned into a throughput series: operations per second within each interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Literal, NamedTuple, TypeAlias

from orchestrator.core.measure.clock_rate import ClockRate
from orchestrator.core.measure.samples import Reading, Throughput
from orchestrator.units import PERIODS, format_duration

Figure: TypeAlias = Literal["rate", "count"]
Period: TypeAlias = Literal["second", "minute", "hour"]

GAP = 2.5
"""An interval longer than so many median ones is a gap: at least one reading in between never came."""


def throughput(
    readings: Sequence[Reading], figure: Figure, per: Period = "second", clock: ClockRate | None = None
) -> Throughput:
    """Turn readings into rates over intervals.

    A *count* becomes the difference of two consecutive readings over the time between them; where it falls, the program
    behind it has started again, and no rate is made up for that interval. A *rate* stands for the time since the
    reading before, readable or not; the first stands for a median interval. A rate is per second of the guest's clock,
    and becomes one per second of the controller's; a count stands between times that are the controller's already.

    Args:
        readings: in the order in which they were read.
        figure: ``rate`` (operations per period) or ``count`` (operations since the start).
        per: the period of a rate.
        clock: the guest's against the controller's, where it went into the readings: into rates always, into counts
            where their lines carry the guest's time. ``None`` where it did not, or is not known.

    Returns:
        The series. What had to be left out (values that are no number, are negative or come too late, and falls of a
        count) and what is missing (gaps) is named in its problems, each kind once, with its number and first time.
    """
    notes = _Notes(next((reading.time_s for reading in readings if math.isfinite(reading.time_s)), 0.0))
    usable = _in_order(readings, notes)
    if figure == "count":
        ends, widths, rates = _from_counts(usable, notes)
    else:
        ends, widths, rates = _from_rates(usable, PERIODS[per] / (clock.factor if clock is not None else 1.0))
    _find_gaps(ends, widths, notes)
    return Throughput(tuple(ends), tuple(widths), tuple(rates), tuple(notes.texts()), clock)


_Series: TypeAlias = tuple[list[float], list[float], list[float]]


class _Usable(NamedTuple):
    """A reading with a usable value; whether one without stood between it and the usable one before."""

    reading: Reading
    after_rubbish: bool


@dataclass
class _Notes:
    """Problems by kind: text with ``{n}``, and when each occurred."""

    first_s: float
    times: dict[str, list[float]] = field(default_factory=dict)

    def add(self, kind: str, time_s: float) -> None:
        self.times.setdefault(kind, []).append(time_s)

    def texts(self) -> list[str]:
        return [
            f"{kind}: {len(times)}, first {format_duration(max(times[0] - self.first_s, 0.0))} after the first reading"
            for kind, times in self.times.items()
        ]


def _in_order(readings: Sequence[Reading], notes: _Notes) -> list[_Usable]:
    """Readings with usable values at rising times; a line of rubbish does not cost the good line beside it."""
    kept: list[_Usable] = []
    after_rubbish = False
    for reading in readings:
        if not math.isfinite(reading.time_s):
            notes.add("readings without a time", notes.first_s)
        elif not _is_usable(reading, notes):
            after_rubbish = True
        elif kept and reading.time_s <= kept[-1].reading.time_s:
            notes.add("readings not later than the one before", reading.time_s)
        else:
            kept.append(_Usable(reading, after_rubbish))
            after_rubbish = False
    return kept


def _is_usable(reading: Reading, notes: _Notes) -> bool:
    if not math.isfinite(reading.value):
        notes.add("values that are no finite number", reading.time_s)
        return False
    if reading.value < 0:
        notes.add("negative values", reading.time_s)
        return False
    return True


def _from_rates(readings: list[_Usable], period_s: float) -> _Series:
    ends = [usable.reading.time_s for usable in readings]
    distances = [later - earlier for earlier, later in pairwise(ends)]
    if not distances:
        return [], [], []
    clean = [width for width, usable in zip(distances, readings[1:], strict=True) if not usable.after_rubbish]
    usual = median(clean or distances)
    # A rate covers the period since the line before it, and that line may have been the unreadable one.
    widths = [
        min(width, usual) if usable.after_rubbish else width
        for width, usable in zip(distances, readings[1:], strict=True)
    ]
    return ends, [usual, *widths], [usable.reading.value / period_s for usable in readings]


def _from_counts(readings: list[_Usable], notes: _Notes) -> _Series:
    counts = [usable.reading for usable in readings]
    ends: list[float] = []
    widths: list[float] = []
    rates: list[float] = []
    before: Reading | None = None
    for position, reading in enumerate(counts):
        if before is not None and reading.value < before.value:
            if position + 1 < len(counts) and counts[position + 1].value >= before.value:
                notes.add("single counts lower than both neighbours (left out)", reading.time_s)
                continue
            notes.add("falls of the count (it started again; that interval is left out)", reading.time_s)
        elif before is not None:
            width = reading.time_s - before.time_s
            ends.append(reading.time_s)
            widths.append(width)
            rates.append((reading.value - before.value) / width)
        before = reading
    return ends, widths, rates


def _find_gaps(ends: list[float], widths: list[float], notes: _Notes) -> None:
    if len(widths) < 2:
        return
    usual = median(widths)
    for end, width in zip(ends, widths, strict=True):
        if width > GAP * usual:
            notes.add(f"gaps of more than {GAP} usual intervals", end - width)
