"""The true minus sign (U+2212) before figures, wherever a person reads and the letters are not only those of ASCII.

Sentences and figures are made with the hyphen of ASCII, which is what programs read: JSON and CSV never come through
here.
"""

from __future__ import annotations

import re

MINUS = "\N{MINUS SIGN}"
UNITS = "%|ppm|s|ms|µs|min|h|d|KiB|MiB|GiB|TiB|°C|MHz|GHz"
#: A hyphen before a figure that has a unit: ``-4.7 %``, ``-6.1 to -3.3 %``; none within a name or a date, and no option
#: of a command.
_NEGATIVE = re.compile(rf"(?<![^\s(])-(?=\d+(?:\.\d+)? (?:(?:{UNITS})(?!\w)|to [-+]?\d[\d.]* %))")


def true_minus(text: str) -> str:
    """The same with minus signs: as many characters as before."""
    return _NEGATIVE.sub(MINUS, text)
