"""How a verdict writes numbers: counts in words, rates with four digits, changes in percent; no more than is known."""

from __future__ import annotations

import math
from collections.abc import Sequence

from orchestrator.units import PERIODS

_DIGITS = 4
#: From a change of so much on there are four digits before the point.
_TENFOLD = 10
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def so_many_of(part: int, whole: int, noun: str) -> str:
    """``two of three trials``, and for all of them ``the only trial``, ``both trials``, ``all three trials``."""
    if part < whole:
        return f"{in_words(part)} of {count(whole, noun)}"
    return f"the only {noun}" if whole == 1 else f"both {noun}s" if whole == 2 else f"all {count(whole, noun)}"


def count(number: int, noun: str) -> str:
    """``two threads``, ``one vCPU``, ``13 blocks``."""
    return f"{in_words(number)} {noun if number == 1 else noun + 's'}"


def degrees_of_freedom(number: int | None) -> str:
    """``1 degree of freedom``, ``14 degrees of freedom``: a figure, as statistics has it."""
    return f"{number or 0} {'degree' if number == 1 else 'degrees'} of freedom"


def in_words(number: int) -> str:
    """A whole number as a person writes it: a word up to twelve, digits from there on."""
    return _COUNTS[number] if 0 <= number < len(_COUNTS) else str(number)


def ordinal(number: int) -> str:
    """``second``, ``tenth``, ``21st``."""
    if 0 < number < len(_ORDINALS):
        return _ORDINALS[number]
    suffix = "th" if number % 100 in {11, 12, 13} else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{suffix}"


def number(value: float) -> str:
    """Four significant digits without an exponent, whole from a thousand on; trailing zeros are dropped."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    magnitude = math.floor(math.log10(abs(value)))
    if not -6 <= magnitude <= 14:
        return f"{value:.4g}"
    text = f"{value:.{max(0, _DIGITS - 1 - magnitude)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def column(values: Sequence[float]) -> list[str]:
    """Figures that stand below each other: each as :func:`number`, with as many significant digits as any of them."""
    plain = [number(value) for value in values]
    digits = max((_significant(text) for text in plain), default=0)
    return [_padded(text, digits) for text in plain]


def _significant(text: str) -> int:
    """Significant digits of a plain figure; never more than :func:`number` keeps behind a point."""
    figure = text.lstrip("-").replace(".", "").lstrip("0")
    return min(len(figure), _DIGITS) if figure.isdigit() else 0


def _padded(text: str, digits: int) -> str:
    known = _significant(text)
    missing = digits - known
    if known == 0 or missing <= 0:
        return text
    return f"{text}{'' if '.' in text else '.'}{'0' * missing}"


def rate(per_second: float, per: str) -> str:
    """A throughput with its period: ``2400 a minute``."""
    return rates([per_second], per)[0]


def rates(per_second: Sequence[float], per: str) -> list[str]:
    """Throughputs that are compared, each with its period and all with as many digits."""
    figures = column([value * PERIODS[per] for value in per_second])
    return [f"{figure} {'an' if per == 'hour' else 'a'} {per}" for figure in figures]


def change(ratio: float, *, whole: bool) -> str:
    """A ratio as a change: ``4.0 % more``, ``38.7 % less``.

    Args:
        ratio: new over base.
        whole: round to whole percents, as befits a single reading, which cannot carry tenths.
    """
    text = _percent(abs(ratio - 1), whole=whole)
    if not text.strip("0. %"):
        return f"the same to within {'half a' if whole else 'a twentieth of a'} percent"
    return f"{text} {'more' if ratio > 1 else 'less'}"


def span(low: float, high: float) -> str:
    """An interval of ratios as changes: ``-1.2 % to +3.4 %``."""
    return f"{signed(low)} to {signed(high)}"


def signed(ratio: float, *, whole: bool = False) -> str:
    """A ratio as a change with its sign: ``-4.7 %``, ``+3.0 %``; in whole percents where :func:`change` has them."""
    if ratio > 100:
        return "more than a hundredfold"
    text = _percent(ratio - 1, whole=whole)
    if not text.strip("-0. %"):
        return text.removeprefix("-")  # what rounds to zero has no sign
    return text if text.startswith("-") else f"+{text}"


def _percent(share: float, *, whole: bool) -> str:
    """With as many decimals as its neighbours in a table and in a sentence; four digits are enough."""
    return f"{share * 100:.{0 if whole or abs(share) >= _TENFOLD else 1}f} %"


def listed(items: list[str], *, joint: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {joint} {items[-1]}"


def some_of(items: Sequence[str], *, named: int = 4) -> str:
    """So many by name, the rest by number: ``a, b, c, d and three more``; a single one beyond them is named as well."""
    if len(items) <= named + 1:
        return listed([*items])
    return f"{', '.join(items[:named])} and {in_words(len(items) - named)} more"


def shortened(text: str, most: int) -> str:
    """A text cut to so many characters."""
    return text if len(text) <= most else f"{text[: most - 3]}..."


def capital(sentence: str) -> str:
    """The sentence with its first letter large, the rest untouched."""
    return sentence[:1].upper() + sentence[1:]
