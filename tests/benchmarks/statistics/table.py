"""A table of figures, each beside what it is held to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

SHOWN = 6
"""Failures named per family."""


@dataclass(frozen=True)
class Figure:
    """One line.

    Attributes:
        name: what was measured.
        value: the figure; ``None`` where nothing could be measured.
        at_least, at_most: the target; both for a range, neither where there is none.
        unit: behind the value.
        digits: after the point.
        note: what else to know, such as the family that is lowest.
    """

    name: str
    value: float | None
    at_least: float | None = None
    at_most: float | None = None
    unit: str = "%"
    digits: int = 1
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the target is met; ``None`` without one."""
        if self.at_least is None and self.at_most is None:
            return None
        if self.value is None:
            return False
        low = self.at_least is None or self.value >= self.at_least
        return low and (self.at_most is None or self.value <= self.at_most)

    def cells(self) -> tuple[str, str, str, str, str]:
        """As printed: name, value, target, verdict, note."""
        value = "-" if self.value is None else f"{self.value:.{self.digits}f} {self.unit}".rstrip()
        low = "" if self.at_least is None else f">= {self.at_least:g}"
        high = "" if self.at_most is None else f"<= {self.at_most:g}"
        bounds = ", ".join(bound for bound in (low, high) if bound)
        return self.name, value, bounds, {True: "met", False: "MISSED", None: ""}[self.met], self.note


def show_figures(title: str, figures: Sequence[Figure]) -> None:
    """Print a table of figures with their targets."""
    print(f"\n## {title}\n")
    show_rows(("figure", "measured", "target", "", ""), [figure.cells() for figure in figures])


def show_rows(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table: first column to the left, the others to the right, a last column of words to the left."""
    widths = [max(len(row[place]) for row in [header, *rows]) for place in range(len(header))]
    for row in [header, ["-" * width for width in widths], *rows]:
        first, *others = [cell.ljust(w) if n in {0, len(widths) - 1} else cell.rjust(w)
                          for n, (cell, w) in enumerate(zip(row, widths, strict=True))]  # fmt: skip
        print("  ".join([first, *others]).rstrip())


def show_places(failure: str, places: Sequence[tuple[str, int]]) -> None:
    """Print some indices for each family where something failed."""
    for family in dict.fromkeys(family for family, _ in places):
        indices = [index for name, index in places if name == family]
        more = f" and {len(indices) - SHOWN} more" if len(indices) > SHOWN else ""
        print(f"{failure:14} {family:18} {' '.join(map(str, indices[:SHOWN]))}{more}")
