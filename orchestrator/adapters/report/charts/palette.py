"""The colours of reports: names with a light and a dark value each, which pages hold as CSS variables.

Colours are chosen so that text has a contrast of 4.5 to the paper and marks one of 3 (W3C, WCAG 2.2, 1.4.3 and 1.4.11),
and so that marks which are to be told apart differ in lightness and not in hue alone, for colour-blind readers and in
print.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Literal, TypeAlias

Scheme: TypeAlias = Literal["light", "dark"]

LIGHT: Mapping[str, str] = {
    "paper": "#ffffff",
    "ink": "#1c2530",
    "soft": "#55606d",
    "hairline": "#d3d7da",
    "plot-grid": "#e6e8ea",
    "plot-run": "#1f4a63",
    "plot-wait": "#c9711c",
    "plot-idle": "#7b8692",
    "plot-point": "#5f6d7a",
    "plot-mean": "#143346",
    "plot-chosen": "#8c2f63",
    "plot-warm-up": "#f0e9dc",
    "plot-steady": "#2b6e6a",
    "plot-line": "#35526b",
    "plot-law": "#8c2f63",
    "plot-base": "#9a7b52",
    "plot-new": "#14504f",
    "good": "#1e5f74",
    "doubt": "#7d5600",
    "bad": "#9b2740",
}
DARK: Mapping[str, str] = {
    "paper": "#12171c",
    "ink": "#e8eaec",
    "soft": "#a9b3bd",
    "hairline": "#38414a",
    "plot-grid": "#262e36",
    "plot-run": "#b4d8ea",
    "plot-wait": "#d07a22",
    "plot-idle": "#7d8894",
    "plot-point": "#93a1ae",
    "plot-mean": "#dcebf4",
    "plot-chosen": "#e79ac3",
    "plot-warm-up": "#2d2a23",
    "plot-steady": "#63b5ae",
    "plot-line": "#9dbdd6",
    "plot-law": "#e79ac3",
    "plot-base": "#a98a5f",
    "plot-new": "#a5e3dc",
    "good": "#8cc9de",
    "doubt": "#e0b04f",
    "bad": "#f09bab",
}

_TOKEN = re.compile(r"var\(--([a-z-]+)\)")
#: Where specifications hold data: what is said there is text, never a colour.
_DATA = frozenset({"values", "datasets", "description"})


def token(name: str) -> str:
    """A colour by its name, as specifications and style sheets write it.

    Raises:
        KeyError: when there is no such colour.
    """
    LIGHT[name]
    return f"var(--{name})"


def css() -> str:
    """A style sheet with all colours: light, dark where the reader asks for it, and light again in print."""
    light, dark = (";".join(f"--{name}:{value}" for name, value in scheme.items()) for scheme in (LIGHT, DARK))
    return (
        f":root{{color-scheme:light;{light}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{color-scheme:dark;{dark}}}}}\n"
    )


def concrete(spec: Mapping[str, Any], scheme: Scheme) -> dict[str, Any]:
    """A specification with colours in place of their names, for pictures, which have no style sheet."""
    colours = LIGHT if scheme == "light" else DARK

    def coloured(value: Any) -> Any:
        if isinstance(value, str):
            return _TOKEN.sub(lambda found: colours.get(found[1], found[0]), value)
        if isinstance(value, Mapping):
            return {key: within if key in _DATA else coloured(within) for key, within in value.items()}
        return [coloured(within) for within in value] if isinstance(value, list | tuple) else value

    return {key: within if key in _DATA else coloured(within) for key, within in spec.items()}
