"""The units that the package speaks in, and how people write them.

Inside the package a time is a ``float`` in seconds and its name ends in ``_s``; a raw kernel counter is an ``int`` in
nanoseconds and ends in ``_ns``; a size is an ``int`` in bytes; a share is a fraction (``0.05``), never a percentage.
People write ``1 h 30 min``, ``512 MiB`` and ``3 %``. This module turns the one into the other, both ways.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import TypeAlias

Seconds: TypeAlias = float
Nanoseconds: TypeAlias = int
Bytes: TypeAlias = int
Fraction: TypeAlias = float
PerSecond: TypeAlias = float

NANOSECONDS_PER_SECOND = 1_000_000_000

DURATION_UNITS: dict[str, float] = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
SIZE_UNITS: dict[str, int] = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}
#: Seconds in the period of a rate, for readers and reports.
PERIODS: dict[str, float] = {"second": 1.0, "minute": 60.0, "hour": 3600.0}

_NUMBER = r"(?:\d+(?:\.\d+)?|\.\d+)"
_DURATION_PART = re.compile(rf"\s*({_NUMBER})\s*([A-Za-zµ]+)\s*", re.ASCII)
_SIZE = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z]+)\s*", re.ASCII)
_PERCENT = re.compile(rf"\s*({_NUMBER})\s*%\s*", re.ASCII)
_CELSIUS = re.compile(rf"\s*({_NUMBER})\s*°?C\s*", re.ASCII)


def parse_duration(text: str) -> Seconds:
    """Read a duration such as ``90 s``, ``5 min`` or ``1 h 30 min``.

    Returns:
        The duration in seconds, finite and not negative.

    Raises:
        ValueError: with what was found and what is allowed.
    """
    position, total, last_unit = 0, 0.0, math.inf
    while position < len(text):
        part = _DURATION_PART.match(text, position)
        if part is None or part[2] not in DURATION_UNITS:
            break
        unit = DURATION_UNITS[part[2]]
        if unit >= last_unit:
            raise ValueError(f"{text!r} does not go from large units to small ones; write for example '1 h 30 min'")
        total, last_unit, position = total + float(part[1]) * unit, unit, part.end()
    if position == 0 or position < len(text):
        raise ValueError(
            f"{text!r} is not a duration; write a number and a unit, for example '90 s', '5 min', '1 h 30 min'"
        )
    if not math.isfinite(total):
        raise ValueError(f"{text!r} is too long to be a duration")
    return total


def format_duration(seconds: Seconds) -> str:
    """Write a duration the way a plan would: at most two units, rounded to the smaller one."""
    if seconds < 1:
        return f"{seconds * 1000:.0f} ms" if seconds else "0 s"
    if seconds < 10:
        return f"{seconds:.1f} s".replace(".0 s", " s")
    whole = round(seconds)
    for unit, size, smaller, small in (("d", 86400, "h", 3600), ("h", 3600, "min", 60), ("min", 60, "s", 1)):
        if whole >= size:
            large, rest = divmod(whole, size)
            rest //= small
            return f"{large} {unit} {rest} {smaller}" if rest else f"{large} {unit}"
    return f"{whole} s"


def parse_size(text: str) -> Bytes:
    """Read a size such as ``512 MiB`` or ``1.5 GiB``.

    Returns:
        The size in bytes.

    Raises:
        ValueError: with what was found and what is allowed; decimal units are refused, since a hypervisor means binary.
    """
    match = _SIZE.fullmatch(text)
    if match is None or match[2] not in SIZE_UNITS:
        raise ValueError(
            f"{text!r} is not a size; write a number and one of {', '.join(SIZE_UNITS)}, for example '512 MiB'"
        )
    size = float(match[1]) * SIZE_UNITS[match[2]]
    if not math.isfinite(size) or size != int(size):
        raise ValueError(f"{text!r} is not a whole number of bytes")
    return int(size)


def format_size(size: Bytes) -> str:
    """Write a size in the largest binary unit that keeps it exact enough to read."""
    for unit, factor in reversed(SIZE_UNITS.items()):
        if size >= factor:
            return f"{size / factor:.4g} {unit}"
    return "0 B"


def parse_percent(text: str) -> Fraction:
    """Read a percentage such as ``3 %`` as a fraction.

    Raises:
        ValueError: when the percent sign is missing or the number is none.
    """
    match = _PERCENT.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a percentage; write a number and a percent sign, for example '3 %'")
    return float(match[1]) / 100


def format_percent(fraction: Fraction, digits: int = 1) -> str:
    """Write a fraction as a percentage with ``digits`` decimals, without a trailing zero decimal."""
    text = f"{fraction * 100:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'0' if text in {'-0', ''} else text} %"


def parse_celsius(text: str) -> float:
    """Read a temperature such as ``70 C`` or ``70 °C`` in degrees Celsius.

    Raises:
        ValueError: when the unit is missing or the number is none.
    """
    match = _CELSIUS.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a temperature; write a number and degrees Celsius, for example '70 C'")
    return float(match[1])


def format_celsius(degrees: float) -> str:
    """Write a temperature in degrees Celsius, with a decimal where it has one."""
    return f"{degrees:.1f}".removesuffix(".0") + " °C"


def utc_text(seconds: Seconds) -> str:
    """Write a wall-clock time (seconds since 1970) as ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def utc_seconds(text: str) -> Seconds | None:
    """Read what :func:`utc_text` wrote; ``None`` where it is no time."""
    try:
        read = datetime.fromisoformat(text)
        return (read if read.tzinfo else read.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None
