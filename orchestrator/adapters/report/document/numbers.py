"""Figures for tables: written as on the terminal, less the unit, which stands in the heading; beside it the value."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.adapters.report.document.parts import Column, Number
from orchestrator.core.verdict.words import column, number

UNAVAILABLE = Number("?", None)
#: Where one reading gives no interval.
NO_INTERVAL = Number("none", None)
_GIB = 2**30
_MILLISECOND = 1e-3
#: Below a nanosecond there is only rounding.
_NANOSECOND = 1e-9


def text(name: str) -> Column:
    """A column of words."""
    return Column(name)


def figures(name: str, unit: str = "") -> Column:
    """A column of figures."""
    return Column(name, unit, figures=True)


def whole(value: int) -> Number:
    """A count."""
    return Number(str(value), float(value))


def below_each_other(values: Sequence[float | None], missing: Number = UNAVAILABLE) -> list[Number]:
    """Figures of one column, with the same number of digits."""
    known = iter(column([value for value in values if value is not None]))
    return [missing if value is None else Number(next(known), value) for value in values]


def rates(per_s: Sequence[float | None], factor: float, missing: Number = UNAVAILABLE) -> list[Number]:
    """Rates per second as rates per period.

    Args:
        per_s: operations per second.
        factor: seconds of the period.
        missing: stands where there is none.
    """
    return below_each_other([None if rate is None else rate * factor for rate in per_s], missing)


def percent(share: float | None, digits: int = 0) -> Number:
    """A share in percent; all of a column with as many decimals."""
    return UNAVAILABLE if share is None else Number(_fixed(share * 100, digits), share * 100)


def changed(ratio: float | None, *, is_whole: bool = False, missing: Number = UNAVAILABLE) -> Number:
    """A ratio as a change in percent, with its sign; in whole percents where it is of single readings."""
    if ratio is None:
        return missing
    size = _fixed((ratio - 1) * 100, 0 if is_whole else 1)
    sign = "" if size.startswith("-") or not size.strip("0.") else "+"
    return Number(f"{sign}{size}", (ratio - 1) * 100)


def _fixed(value: float, digits: int) -> str:
    """So many decimals; what rounds to zero has no sign."""
    text = f"{value:.{digits}f}"
    return text if text.strip("-0.") else text.removeprefix("-")


def memory(size_bytes: int | None) -> Number:
    """A size in GiB."""
    return UNAVAILABLE if size_bytes is None else Number(number(size_bytes / _GIB), size_bytes / _GIB)


class Times:
    """Times of operations in one unit for all of a table, so that a column may be added up and sorted.

    Args:
        seconds: all that the table holds; the largest sets the unit.
    """

    def __init__(self, seconds: Sequence[float | None]) -> None:
        largest = max((value for value in seconds if value is not None), default=_MILLISECOND)
        self.unit, self.factor = ("s", 1.0) if largest >= 1 else ("ms", 1e3) if largest >= 1e-4 else ("µs", 1e6)

    def column(self, seconds: Sequence[float | None], missing: Number = UNAVAILABLE) -> list[Number]:
        """The times of one column, three digits each."""
        return list(self._numbers(seconds, missing))

    def _numbers(self, seconds: Sequence[float | None], missing: Number) -> Iterator[Number]:
        rounded = [0.0 if s < _NANOSECOND else float(f"{s * self.factor:.3g}") for s in seconds if s is not None]
        known = iter(column(rounded))
        for value in seconds:
            yield missing if value is None else Number(next(known), value * self.factor)
