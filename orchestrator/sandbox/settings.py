"""What a sandbox is asked to be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

#: Takes a line about what is being done.
Say = Callable[[str], None]


@dataclass(frozen=True)
class Settings:
    """Where a sandbox is and what it is made of.

    Attributes:
        folder: everything of it is kept here.
        cache: images are kept here, for every sandbox.
        lab: the lab file; ``None`` for the usual place, or for where this sandbox's lab is already.
        image: recipe of the guests' image; ``None`` for the one that is there, else the one with Python.
        acceleration: ``auto``, ``kvm`` or ``tcg``.
    """

    folder: Path
    cache: Path
    lab: Path | None = None
    image: str | None = None
    acceleration: str = "auto"
