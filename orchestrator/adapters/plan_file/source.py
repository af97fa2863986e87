"""A file as it was read: plain values in a tree that remembers where each stood, and the problems found so far."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from orchestrator.adapters.plan_file.scalars import Scalar
from orchestrator.core.design.wording import printable
from orchestrator.errors import Problem

Path = tuple[str | int, ...]


@dataclass(frozen=True, order=True)
class Place:
    """A position in a file, counted from 1 as editors do."""

    line: int
    column: int


class _Broken:
    """Stands where a value could not be read: no model accepts it, and what is said about it is not repeated."""

    def __repr__(self) -> str:
        return "(unreadable)"


BROKEN = _Broken()


@dataclass(frozen=True)
class Node:
    """A value with its place: a scalar, a list of nodes, or a mapping of keys to nodes.

    Attributes:
        value: the scalar, or the children; ``BROKEN`` where it could not be read.
        keys: places of a mapping's keys.
        size: how many values it holds, itself included, aliases expanded.
        depth: levels of nesting below it.
    """

    place: Place
    value: Scalar | _Broken | Sequence[Node] | Mapping[str, Node]
    keys: Mapping[str, Place] = field(default_factory=dict)
    size: int = 1
    depth: int = 0

    @property
    def plain(self) -> Any:
        """The value without its places: what a model validates."""
        if isinstance(self.value, Mapping):
            return {key: child.plain for key, child in self.value.items()}
        if isinstance(self.value, list):
            return [child.plain for child in self.value]
        return self.value

    def child(self, step: str | int) -> Node | None:
        """The value under a key or at an index, if there is one."""
        if isinstance(self.value, Mapping):
            return self.value.get(str(step)) if isinstance(step, str) else None
        if isinstance(self.value, list) and isinstance(step, int) and 0 <= step < len(self.value):
            found: Node = self.value[step]
            return found
        return None

    def at(self, path: Path) -> Node | None:
        """The value at a path below, if there is one."""
        node: Node | None = self
        for step in path:
            node = node.child(step) if node is not None else None
        return node


@dataclass
class Source:
    """One file: its name, its bytes, its tree, and every problem found in it.

    Attributes:
        name: as messages call it.
        content: the bytes as given; empty where the file could not be read.
        root: the tree; None where there is none.
    """

    name: str
    content: bytes = b""
    root: Node | None = None
    _found: list[tuple[Place | None, Problem]] = field(default_factory=list)
    _said: set[Path] = field(default_factory=set)

    def report(self, message: str, path: Path = (), place: Place | None = None, *, key: bool = False) -> None:
        """Note a problem.

        Args:
            message: what was found, what is allowed, what to do.
            path: of the field.
            place: where; without it the place of the field is looked up, or else of the nearest one around it.
            key: whether the problem is the key itself and not its value.
        """
        place = place or self.place(path, key=key)
        where = self.name if place is None else f"{self.name}:{place.line}:{place.column}"
        self._found.append((place, Problem(where, field_path(path), printable(message))))
        self._said.add(path)

    def place(self, path: Path, *, key: bool = False) -> Place | None:
        """Where the field at a path stands, or else the nearest field around it that exists."""
        node, place = self.root, self.root.place if self.root is not None else None
        for position, step in enumerate(path):
            last = position == len(path) - 1
            if node is None or (child := node.child(step)) is None:
                break
            place = node.keys[step] if last and key and isinstance(step, str) else child.place
            node = child
        return place

    def is_broken(self, path: Path) -> bool:
        """Whether the value at a path, or one around it, could not be read: it has been reported already."""
        return self.root is None or any(
            (node := self.root.at(path[:length])) is not None and node.value is BROKEN
            for length in range(len(path) + 1)
        )

    def has_said(self, path: Path) -> bool:
        """Whether a problem of this very field has been reported."""
        return path in self._said

    @property
    def problems(self) -> list[Problem]:
        """All problems in the order of the file; those of the file as a whole come first."""
        start = Place(0, 0)
        return [problem for _, problem in sorted(self._found, key=lambda entry: entry[0] or start)]


def field_path(path: Path) -> str:
    """A path the way messages write it: ``shapes[2].memory``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        elif step and step.isprintable() and not set(step) & set(" .[]\"'"):
            text += f".{step}" if text else step
        else:
            text += f"[{step[:60]!r}]"
    return text
