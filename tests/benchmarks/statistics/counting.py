"""Shares that are counted, with the names of what was counted, and their tables."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from table import Figure, show_rows

#: ``("K", "5")`` and so on: a property of experiments by which shares are split.
Group: TypeAlias = tuple[str, str]
_FEW = 6


@dataclass
class Share:
    """How many of how many, and the names of the hits."""

    hits: int = 0
    of: int = 0
    names: list[str] = field(default_factory=list)

    def add(self, hit: bool, name: str) -> None:
        """Count one."""
        self.of += 1
        if hit:
            self.hits += 1
            self.names.append(name)

    @property
    def value(self) -> float | None:
        """The share in percent; ``None`` when nothing was counted."""
        return 100 * self.hits / self.of if self.of else None

    @property
    def error(self) -> float:
        """Its standard error in percent, with one hit and one miss added (Agresti & Coull 1998)."""
        p = (self.hits + 1) / (self.of + 2)
        return 100 * math.sqrt(p * (1 - p) / (self.of + 2))

    def figure(self, name: str, at_least: float | None = None, at_most: float | None = None) -> Figure:
        """As a line of a table, with its standard error."""
        note = f"± {self.error:.2f} ({self.hits} of {self.of})"
        return Figure(name, self.value, at_least, at_most, digits=2, note=note)


class Splits:
    """Shares split by groups."""

    def __init__(self) -> None:
        self._shares: dict[Group, dict[str, Share]] = defaultdict(lambda: defaultdict(Share))

    def add(self, groups: list[Group], column: str, hit: bool, name: str) -> None:
        """Count one in each of its groups."""
        for group in groups:
            self._shares[group][column].add(hit, name)

    def show(self, columns: tuple[str, ...]) -> None:
        """Print a row for each group: the share in percent, and of how many."""
        rows = []
        for group in sorted(self._shares, key=lambda g: (g[0], g[1].startswith(">"), g[1].zfill(12))):
            shares = self._shares[group]
            cells = ["-" if (v := shares[c].value) is None else f"{v:.1f} ({shares[c].of})" for c in columns]
            rows.append([" ".join(group), *cells, ""])
        print()
        show_rows(("% (of)", *columns, ""), rows)


def show_names(shares: Mapping[str, Share]) -> None:
    """Name some of the experiments behind a share, to be made again."""
    for what, share in shares.items():
        if share.names:
            print(f"{what}: {', '.join(share.names[:_FEW])}{' ...' if len(share.names) > _FEW else ''}")
