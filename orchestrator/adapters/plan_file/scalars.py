"""What an unquoted YAML word means, and the words that different YAML readers take for different things.

YAML 1.1 (2005) and YAML 1.2 (2009, its core schema) disagree about ``no``, ``010``, ``1:30`` or ``1_000``, and so do
the programs that read YAML. A plan has to mean the same to everybody, so such words are refused with a proposal; what
both versions agree on is read as both do.
"""

from __future__ import annotations

import math
import re

from orchestrator.core.design.wording import shown

Scalar = str | int | float | bool | None

_NULL = frozenset({"", "~", "null", "Null", "NULL"})
_BOOLEAN = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_YES = frozenset({"y", "Y", "yes", "Yes", "YES", "on", "On", "ON"})
_NO = frozenset({"n", "N", "no", "No", "NO", "off", "Off", "OFF"})
_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
#: What a word looks like, what some readers take it for, and what to write instead.
_TRAPS = (
    (re.compile(r"[-+]?0[0-9]+"), "an octal number", "leave the leading zero out"),
    (re.compile(r"[-+]?0[xob][0-9a-fA-F_]+"), "a number of another base", "write it in decimal"),
    (
        re.compile(r"[-+]?(?=[0-9.]*_)(?:[0-9][0-9_]*(?:\.[0-9_]*)?|\.[0-9][0-9_]*)(?:[eE][-+]?[0-9]+)?"),
        "a number",
        "leave the underscores out",
    ),
    (
        re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?"),
        "a number of base 60",
        "write it with units ('1 min 30 s')",
    ),
    (re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[Tt \t].*)?"), "a date", "write it another way"),
)
#: A time of day is likely to be meant as one, so its quotes are shown.
_TIME_OF_DAY = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")
_BOTH = "{word} is {meaning} to some YAML readers and not to others; {advice} for text"
#: Decimal digits of the largest integer that fits in 64 bits.
_DIGITS = 19


class AmbiguousWordError(ValueError):
    """An unquoted word without one meaning; the message says which meanings and what to write instead."""


def read_word(word: str) -> Scalar:
    """The value of an unquoted word.

    Raises:
        AmbiguousWordError: when YAML readers disagree about it, or when it is a number that cannot be kept.
    """
    if word in _NULL:
        return None
    if word in _BOOLEAN:
        return _BOOLEAN[word]
    if (trap := _trap(word)) is not None:
        raise AmbiguousWordError(trap)
    if _INTEGER.fullmatch(word):
        return _integer(word)
    if _FLOAT.fullmatch(word):
        return _finite(word)
    return word


def _trap(word: str) -> str | None:
    if word in _YES or word in _NO:
        advice = f"write {'true' if word in _YES else 'false'}, or put it in quotes"
        return _BOTH.format(word=shown(word), meaning="a boolean", advice=advice)
    for pattern, meaning, advice in _TRAPS:
        if pattern.fullmatch(word):
            quoted = f'put it in quotes ("{word}")' if _TIME_OF_DAY.fullmatch(word) else "put it in quotes"
            return _BOTH.format(word=shown(word), meaning=meaning, advice=f"{advice}, or {quoted}")
    if _NOT_FINITE.fullmatch(word):
        return f"{shown(word)} is not a finite number; write a number, or put it in quotes for text"
    return None


def _integer(word: str) -> int:
    if len(word.lstrip("+-")) > _DIGITS:
        raise AmbiguousWordError(f"{shown(word)} is too large a number; put it in quotes if it is text")
    return int(word)


def _finite(word: str) -> float:
    number = float(word)
    if not math.isfinite(number):
        raise AmbiguousWordError(f"{shown(word)} is too large a number; put it in quotes if it is text")
    return number
