"""Text to a tree of plain values with places. The only module that imports yaml.

The tree is built from PyYAML's parsing events and by nothing else: no constructor of PyYAML runs, so no tag can name
code. Everything that makes a plan mean two things is refused where it stands: tags, duplicate keys, merge keys, keys
that are not text, words that YAML readers disagree about. Depth, number of values and the expansion of aliases are
bounded.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import yaml

from orchestrator.adapters.plan_file.scalars import AmbiguousWordError, read_word
from orchestrator.adapters.plan_file.source import BROKEN, Node, Path, Place, Source
from orchestrator.core.design.wording import shown

MOST_DEPTH = 50
MOST_VALUES = 10_000
_SURROGATE_OR_NUL = re.compile("[\0\ud800-\udfff]")

#: PyYAML's complaints (a part of each), and what they mean to whoever wrote the file.
_COMPLAINTS = (
    ("'\\t'", "a tab cannot indent or separate in YAML; use spaces"),
    (
        "mapping values are not allowed",
        "a ':' where no key can be; put text that holds ': ' in quotes, or check the indentation",
    ),
    (
        "could not find expected ':'",
        "a key without its ':'; write 'key: value', and put text that spans lines in quotes",
    ),
    (
        "expected <block end>",
        "the indentation does not fit the lines above, or a quote or bracket is left over; line the keys up",
    ),
    ("expected ',' or ']'", "a list that begins with '[' is not closed; separate with ',' and close with ']'"),
    ("expected ',' or '}'", "a mapping that begins with '{' is not closed; separate with ',' and close with '}'"),
    ("unexpected end of stream", "the file ends inside a quoted text; close the quote"),
    ("unexpected document separator", "a line '---' or '...' inside a quoted text; close the quote before it"),
    (
        "cannot start any token",
        "a character that cannot begin a value (such as '%', '@' or '`'); put the text in quotes",
    ),
    ("unknown escape character", "a backslash in double quotes begins an escape; write it twice, or use single quotes"),
    ("escape sequence", "an escape in double quotes is incomplete; write the backslash twice, or use single quotes"),
    ("sequence entries are not allowed", "a '-' where no list item can be; begin the list on a line of its own"),
    ("tag handle", "a line '%TAG' defines tags, which are not read; remove it"),
    ("directive", "a line that begins with '%' at the top gives orders to YAML readers; remove it"),
    ("incompatible YAML", "a line '%YAML' asks for another YAML; remove it"),
    ("did not find expected", "something is missing or left over here; check quotes, brackets and indentation"),
)


class _StopReadingError(Exception):
    """Reading cannot go on; it has been reported."""


def parse(source: Source, text: str, kind: str) -> None:
    """Read text into ``source.root``; problems go into the source."""
    builder = _Builder(source)
    try:
        source.root = builder.document(text, kind)
    except _StopReadingError:
        source.root = None


class _Builder:
    """Builds nodes from events; recursion is bounded by ``MOST_DEPTH``."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.anchors: dict[str, Node | None] = {}
        self.values = 0
        self.events: Iterator[Any] = iter(())

    def document(self, text: str, kind: str) -> Node | None:
        self.events = self._translated(text)
        next(self.events)  # stream start
        first = next(self.events)
        if isinstance(first, yaml.StreamEndEvent):
            self.source.report(f"the file is empty; a {kind} is a mapping of keys to values", place=Place(1, 1))
            return None
        root = self.node(next(self.events), ())
        next(self.events)  # document end
        more = next(self.events)
        if isinstance(more, yaml.DocumentStartEvent):
            self.source.report(f"a second document begins here; keep one {kind} in a file", place=_place(more))
        return root

    def _translated(self, text: str) -> Iterator[Any]:
        """PyYAML's events; its complaints in our words."""
        loader: Any = yaml.SafeLoader(text)  # its stubs leave the parser's methods untyped
        try:
            while loader.check_event():
                yield loader.get_event()
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            place = Place(mark.line + 1, mark.column + 1) if mark is not None else None
            self.stop(_complaint(f"{error.context or ''} {error.problem or ''}"), (), place)
        except (yaml.YAMLError, ValueError, OverflowError):
            mark = loader.get_mark()
            self.stop(
                "a character or escape that YAML does not know; remove it", (), Place(mark.line + 1, mark.column + 1)
            )
        finally:
            loader.dispose()

    def stop(self, message: str, path: Path, place: Place | None) -> None:
        self.source.report(message, path, place)
        raise _StopReadingError

    def node(self, event: Any, path: Path) -> Node:
        """The value that begins with an event."""
        place = _place(event)
        if len(path) > MOST_DEPTH:
            self.stop(f"nested more than {MOST_DEPTH} levels deep; no plan or lab needs that", path[:3], place)
        if isinstance(event, yaml.AliasEvent):
            return self.alias(event, path, place)
        if event.anchor is not None:
            self.anchors[event.anchor] = None
        if isinstance(event, yaml.ScalarEvent):
            node = self.scalar(event, path, place)
        elif isinstance(event, yaml.SequenceStartEvent):
            node = self.sequence(path, place)
        else:
            node = self.mapping(path, place)
        self.count(1, path, place)
        if event.tag is not None:
            tag = str(event.tag).replace("tag:yaml.org,2002:", "!!")
            self.source.report(
                f"tag {shown(tag)} is not read: a file holds plain values only; remove the tag", path, place
            )
            node = Node(place, BROKEN)
        if event.anchor is not None:
            self.anchors[event.anchor] = node
        return node

    def alias(self, event: Any, path: Path, place: Place) -> Node:
        name = shown("*" + event.anchor)
        if event.anchor not in self.anchors:
            self.source.report(
                f"alias {name} names no anchor before it; define &{event.anchor[:60]} first, or write the value out",
                path,
                place,
            )
            return Node(place, BROKEN)
        meant = self.anchors[event.anchor]
        if meant is None:
            self.source.report(
                f"alias {name} stands inside the value it repeats, which would never end; write the value out",
                path,
                place,
            )
            return Node(place, BROKEN)
        self.count(meant.size, path, place)
        if len(path) + meant.depth > MOST_DEPTH:
            self.stop(f"alias {name} nests more than {MOST_DEPTH} levels deep; write the value out", path[:3], place)
        return meant

    def count(self, more: int, path: Path, place: Place) -> None:
        self.values += more
        if self.values > MOST_VALUES:
            self.stop(
                f"more than {MOST_VALUES} values, aliases expanded; no plan or lab needs so many", path[:3], place
            )

    def scalar(self, event: Any, path: Path, place: Place) -> Node:
        if _SURROGATE_OR_NUL.search(event.value):
            self.source.report(
                f"{shown(event.value)} holds a character that is no text (NUL or half a surrogate pair); remove it",
                path,
                place,
            )
            return Node(place, BROKEN)
        if event.style is not None:
            return Node(place, event.value)
        try:
            return Node(place, read_word(event.value))
        except AmbiguousWordError as error:
            self.source.report(str(error), path, place)
            return Node(place, BROKEN)

    def sequence(self, path: Path, place: Place) -> Node:
        items: list[Node] = []
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            items.append(self.node(event, (*path, len(items))))
        return _around(place, items, items, {})

    def mapping(self, path: Path, place: Place) -> Node:
        children: dict[str, Node] = {}
        keys: dict[str, Place] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key, where = self.key(event, path), _place(event)
            child = self.node(next(self.events), (*path, key if key is not None else "?"))
            if key is None:
                continue
            if key in children:
                first = keys[key]
                self.source.report(
                    f"key {shown(key)} is written twice, first at {first.line}:{first.column}; keep one of them",
                    (*path, key),
                    where,
                )
                continue
            children[key], keys[key] = child, where
        return _around(place, children, list(children.values()), keys)

    def key(self, event: Any, path: Path) -> str | None:
        """The text of a key, or None when it has been reported and its value is to be passed over."""
        place = _place(event)
        if not isinstance(event, yaml.ScalarEvent):
            self.source.report("a key is text, not a list, mapping or alias; write the key out", path, place)
            if not isinstance(event, yaml.AliasEvent):
                self.node(event, (*path, "?"))
            return None
        if event.tag is not None or event.anchor is not None:
            self.source.report(f"key {shown(event.value)} carries a tag or an anchor; remove it", path, place)
            return None
        if event.style is None and event.value == "<<":
            self.source.report(
                "merge keys are not read, since readers disagree about what they override; "
                "write the fields out, or repeat a whole value by its alias",
                path,
                place,
            )
            return None
        node = self.scalar(event, path, place)
        if isinstance(node.value, str):
            return node.value
        if node.value is not BROKEN:
            what = "empty" if node.value is None else f"{shown(node.value)}, which is not text"
            self.source.report(f"a key is {what}; put it in quotes if it is meant as a name", path, place)
        return None


def _around(place: Place, value: Any, children: list[Node], keys: dict[str, Place]) -> Node:
    depth = max((child.depth for child in children), default=-1) + 1
    return Node(place, value, keys, 1 + sum(child.size for child in children), depth)


def _place(event: Any) -> Place:
    return Place(event.start_mark.line + 1, event.start_mark.column + 1)


def _complaint(text: str) -> str:
    for part, meaning in _COMPLAINTS:
        if part in text:
            return meaning
    return "this cannot be read as YAML; check quotes, brackets and indentation"
