"""A throughput log that somebody already has, as text, to times and values.

One reading a line: a value, or a time in seconds and a value, separated by comma, semicolon, tab or blanks. A header
line, blank lines and lines that start with ``#`` are skipped; ``nan`` and an empty value stand for no reading.
"""

from __future__ import annotations

import math
import re

from orchestrator.adapters.readings.text import Problems, is_number, lines_of
from orchestrator.core.design.wording import shown
from orchestrator.engine.read_series import Log

_SEPARATOR = re.compile(r"\s*[,;\t]\s*|\s+")
_TIMES = frozenset({"time", "time_s", "t", "s", "seconds", "elapsed", "elapsed_s", "timestamp"})

#: Larger numbers are nobody's reading, and their squares could not be added up.
_MOST = 1e100
#: So much of a file shows how its fields are separated.
_GLANCE = 4096
_NO_READING = frozenset({"", "nan", "inf", "infinity"})


def read_log_text(name: str, data: bytes) -> Log:
    """Read a throughput log.

    Args:
        name: what to call the file in messages and results.
        data: its content.

    Raises:
        InputError: with every problem of the file, each with its line.
    """
    problems = Problems(name)
    rows = [
        (number, _SEPARATOR.split(text))
        for number, line in enumerate(lines_of(name, data), start=1)
        if (text := line.strip()) and not text.startswith("#")
    ]
    swapped = False
    if rows and not any(is_number(field) or field.casefold() in _NO_READING for field in rows[0][1]):
        # Names of columns; a log that gives the value first says so here.
        names = [field.strip("\"'").casefold() for field in rows.pop(0)[1]]
        swapped = len(names) == 2 and names[1] in _TIMES and names[0] not in _TIMES
    if not rows:
        problems.add("holds no reading; one value a line is expected, or time and value")
    problems.raise_if_any()
    width = len(rows[0][1])
    if width > 2:
        hint = "; write decimals with a point" if ";" in data[:_GLANCE].decode(errors="replace") else ""
        message = f"has {width} fields; keep one column of values, or time and value{hint}"
        problems.add(message, line=rows[0][0])
        problems.raise_if_any()
    times: list[float] = []
    values: list[float] = []
    for line, fields in rows:
        if len(fields) != width:
            problems.add(f"has {len(fields)} fields; expected {width} as on the first line", line=line)
            continue
        value, time = (fields[0], None) if width == 1 else fields if swapped else reversed(fields)
        if (read := _value(problems, line, value)) is not None:
            values.append(read)
        if time is not None and (at := _time(problems, line, time, times[-1] if times else -math.inf)) is not None:
            times.append(at)
    problems.raise_if_any()
    return Log(name, tuple(times) if width == 2 else None, tuple(values))


def _value(problems: Problems, line: int, text: str) -> float | None:
    """A value; NaN for a reading that says itself that it is none (measuring leaves it out and counts it)."""
    if not text or text.casefold().lstrip("+-") in _NO_READING:
        return math.nan
    if not is_number(text):
        problems.add(
            f"{shown(text)} is not a number; where nothing was read, nan is understood", line=line, column="value"
        )
        return None
    value = float(text)
    if not math.isfinite(value):
        return math.nan
    if abs(value) > _MOST:
        problems.add(f"{shown(text)} is too large to be a reading", line=line, column="value")
        return None
    return value


def _time(problems: Problems, line: int, text: str, last: float) -> float | None:
    if not is_number(text) or not math.isfinite(float(text)):
        problems.add(f"{shown(text)} is not a time in seconds", line=line, column="time")
        return None
    time = float(text)
    if time <= last:
        problems.add(
            f"{shown(text)} is not later than {last:g} before it; times in seconds must rise", line=line, column="time"
        )
    return time
