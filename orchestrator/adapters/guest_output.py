"""From the lines that a workload prints to throughput readings in the controller's time.

What a guest prints is data: nothing in it is run or raises, and what is odd about it is counted and told. A pattern
sees the first ``PATTERN_SEES`` characters of a line only. That bounds a pattern of ordinary cost; one whose repetitions
nest can take for ever on a line that nearly fits, so that it is given up after ``PATTERN_TAKES_S`` of CPU time.
"""

from __future__ import annotations

import json
import math
import re
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

from orchestrator.core.design.workload import JsonFields, Reader
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.clock_rate import MOST_RATE, believed_rate, controller_time
from orchestrator.core.measure.samples import Reading
from orchestrator.engine.ports import MAX_LINE, Line
from orchestrator.errors import WorkloadFault
from orchestrator.units import Seconds

PATTERN_SEES = 4096
PATTERN_TAKES_S = 1.0
#: Beyond it a figure is a mistake: no machine has done so many operations.
ABSURD = 1e18
#: The fastest line of a workload arrives within so much of its own time, or the time is of another clock.
PROMPT_S = 1.0
#: A time that begins below it is the program's own, counted from its start; other clocks have begun long before.
OWN_CLOCK_S = 60.0

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
_NO_TEXT = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ufffd]")


@dataclass(frozen=True)
class RawReading:
    """What one line says: the figure (NaN if it is none), its time by the guest's clock, and when the line arrived."""

    value: float
    guest_s: Seconds | None
    arrived_s: Seconds


class OutputReader:
    """Collects readings from lines; see :class:`orchestrator.engine.ports.OutputParser`.

    Attributes:
        lines: how many were read.
        unmatched: how many of them held no figure; programs print banners, so that alone is no problem.
    """

    def __init__(self, reader: Reader) -> None:
        self._find = _json_finder(reader.json_) if reader.json_ is not None else _pattern_finder(reader.pattern or "")
        self._raw: list[RawReading] = []
        self._odd: dict[str, tuple[int, str]] = {}
        self._placing = ""
        self.lines = self.unmatched = 0

    def feed(self, lines: Sequence[Line]) -> int:
        """Take lines in; returns how many of them held a figure that can be one: finite, not negative, not absurd.

        Raises:
            WorkloadFault: the plan's pattern takes so long on a line that measuring would come to a halt.
        """
        before = len(self._raw)
        for line in lines:
            self._take(line)
        return sum(raw.value >= 0 for raw in self._raw[before:])

    def readings(self, before: Offset | None, after: Offset | None = None) -> list[Reading]:
        """All readings so far, in the order of their lines.

        Args:
            before: the guest's clock against the controller's at the beginning, if it is known.
            after: the same at the end; between the two the offset is interpolated.
        """
        times, self._placing = place(self._raw, before, after)
        return [Reading(time_s, raw.value) for time_s, raw in zip(times, self._raw, strict=True)]

    def problems(self) -> list[str]:
        """What a person should know of the output; texts from the guest in it are escaped and cut."""
        found = [f"{kind}: {count}, the first is {example}" for kind, (count, example) in self._odd.items()]
        if self.lines and not self._raw:
            found.append(f"none of {self.lines} lines could be read by the reader")
        return [*found, self._placing] if self._placing else found

    def _take(self, line: Line) -> None:
        self.lines += 1
        if line.cut:
            self._note(f"lines of more than {MAX_LINE} characters (cut)", line.text)
        if _NO_TEXT.search(line.text):
            self._note("lines with characters that are no text", line.text)
        found = self._find(line.text)
        if found is None:
            self.unmatched += 1
            return
        value, time = _number(found[0]), _number(found[1])
        if math.isnan(value):
            self._note("figures that are no finite number", str(found[0]))
        if found[1] is not None and math.isnan(time):
            self._note("times that are no finite number", str(found[1]))
        self._raw.append(RawReading(value, None if math.isnan(time) else time, line.arrived_s))

    def _note(self, kind: str, example: str) -> None:
        count, first = self._odd.get(kind, (0, ascii(example[:60])))
        self._odd[kind] = (count + 1, first)


# ------------------------------------------------------------------------------------------------- figures in a line

_Found = tuple[object, object]
"""Value and time as they stand in the line; the time is ``None`` where there is none."""


def _json_finder(fields: JsonFields) -> Callable[[str], _Found | None]:
    def find(text: str) -> _Found | None:
        if not text.lstrip().startswith("{"):
            return None
        try:
            found = json.loads(text)
        except (ValueError, RecursionError):
            return None
        if fields.value not in found:
            return None
        return found[fields.value], found.get(fields.time) if fields.time is not None else None

    return find


def _pattern_finder(pattern: str) -> Callable[[str], _Found | None]:
    compiled = re.compile(pattern)
    has_time = "time" in compiled.groupindex
    given_up = False

    def find(text: str) -> _Found | None:
        nonlocal given_up
        if given_up:
            return None
        try:
            with _at_most(PATTERN_TAKES_S):
                match = compiled.search(text[:PATTERN_SEES])
        except _Overrun as error:
            given_up = True
            raise WorkloadFault(
                f"the reader's pattern {pattern!r} takes more than {PATTERN_TAKES_S:g} s of CPU time on the line "
                f"{text[:60]!a}; write it without a repetition inside a repetition"
            ) from error
        return (match["value"], match["time"] if has_time else None) if match is not None else None

    return find


class _Overrun(Exception):
    """What was to be done within a time was not."""


@contextmanager
def _at_most(cpu_s: Seconds) -> Iterator[None]:
    """Raise _Overrun in what takes longer; unbounded outside the main thread, where no signal arrives.

    The matcher of regular expressions looks for signals as it goes. CPU time is what it uses, however busy the machine.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def overrun(_number: int, _frame: FrameType | None) -> None:
        raise _Overrun

    before = signal.signal(signal.SIGVTALRM, overrun)
    signal.setitimer(signal.ITIMER_VIRTUAL, cpu_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def _number(found: object) -> float:
    """A finite number of no absurd size, or NaN."""
    if isinstance(found, str) and _NUMBER.fullmatch(found.strip()) is not None:
        found = float(found)
    if isinstance(found, (int, float)) and not isinstance(found, bool) and abs(found) <= ABSURD:
        return float(found)
    return math.nan


# ---------------------------------------------------------------------------------------------------- times of readings


def place(raw: Sequence[RawReading], before: Offset | None, after: Offset | None) -> tuple[list[Seconds], str]:
    """The controller's time of each reading, and what had to be done otherwise than expected, in words.

    The guest's own time is used where lines carry it, since a line may be held up on its way. Whether that is the
    clock whose offset is known shows in the fastest line: it can arrive neither before it was printed nor much later.
    The time of another clock is shifted so that the fastest line arrived at once, which needs no word where it counts
    from the program's start; one that does not run in seconds is not used.
    """
    arrivals = [reading.arrived_s for reading in raw]
    timed = [(reading.guest_s, reading.arrived_s) for reading in raw if reading.guest_s is not None]
    if not timed:
        return arrivals, ""
    to_controller, uncertainty_s = _clock(before, after)
    leads = [arrived_s - to_controller(guest_s) for guest_s, arrived_s in timed]
    half = len(leads) // 2
    drift_s = abs(min(leads[half:]) - min(leads[:half], default=leads[0]))
    if drift_s > 2 * PROMPT_S + MOST_RATE * (arrivals[-1] - arrivals[0]):
        return arrivals, "the time in the output does not run in seconds: arrival times are used"
    lead_s = min(leads)
    shift_s, told = 0.0, ""
    if before is None or abs(lead_s) > uncertainty_s + PROMPT_S:
        shift_s = lead_s
    if shift_s and not 0 <= timed[0][0] < OWN_CLOCK_S:
        away = f"the time in the output is {abs(lead_s):.6g} s away from the guest's monotonic clock"
        why = away if before is not None else "the offset of the guest's clock is unknown"
        told = f"{why}: readings are placed as if the fastest line had arrived at once"
    times = [
        to_controller(reading.guest_s) + shift_s if reading.guest_s is not None else reading.arrived_s
        for reading in raw
    ]
    return times, told


def _clock(before: Offset | None, after: Offset | None) -> tuple[Callable[[Seconds], Seconds], Seconds]:
    """From the guest's clock to the controller's: linear between two offsets, parallel with one."""
    if before is None:
        return (lambda guest_s: guest_s), 0.0
    rate, uncertainty_s = None, before.uncertainty_s
    if after is not None and after.at_s - before.at_s >= PROMPT_S:
        rate = believed_rate(before, after)
        if rate is not None:
            uncertainty_s = max(uncertainty_s, after.uncertainty_s)
    return (lambda guest_s: controller_time(guest_s, before, rate)), uncertainty_s
