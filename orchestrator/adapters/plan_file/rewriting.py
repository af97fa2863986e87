"""A plan with a few values replaced, and every other character of it as its author wrote it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from itertools import accumulate
from typing import Any

from orchestrator.adapters.plan_file.source import Node, Path, Source, field_path
from orchestrator.adapters.plan_file.text import UnreadableError, decode
from orchestrator.adapters.plan_file.yaml_source import parse
from orchestrator.errors import InputError, Problem

#: A scalar on one line, or a mapping in braces that holds no other.
_VALUE = re.compile(
    r""" \{[^{}]*\} | "(?:[^"\\\n]|\\.)*" | '(?:[^'\n]|'')*' | [^\s#,\[\]{}"'&*!|>%@`][^\n#,\[\]{}]*(?<!\s) """,
    re.VERBOSE,
)
_LINE = re.compile(r"[^\n]*\n?")


def with_values(content: bytes, values: Mapping[Path, str | int], *, name: str = "plan.yaml") -> bytes:
    """Replace values of a plan.

    Where the text is written in a way that this does not see through (values over several lines, anchors), the plan is
    written anew, as JSON, which YAML includes: the same values without comments.

    Args:
        content: the plan, which can be read.
        values: by their paths, of which the last key only may be missing.
        name: what messages call the plan.

    Raises:
        InputError: the plan cannot be read, or is none.
    """
    root = _read(content, name)
    wanted = root.plain
    for path, value in values.items():
        _set(wanted, path, value, name)
    text = decode(content, "plan")
    starts = [0, *accumulate(len(line) for line in _LINE.findall(text))]
    edits = []
    for path, value in values.items():
        if (node := root.at(path)) is None or (end := _end(text, starts, node)) is None:
            return _anew(wanted)
        edits.append((_index(starts, node), end, json.dumps(value, ensure_ascii=False)))
    for start, end, written in sorted(edits, reverse=True):
        text = text[:start] + written + text[end:]
    edited = text.encode()
    try:
        return edited if _read(edited, name).plain == wanted else _anew(wanted)
    except InputError:
        return _anew(wanted)


def _read(content: bytes, name: str) -> Node:
    source = Source(name, content)
    try:
        parse(source, decode(content, "plan"), "plan")
    except UnreadableError as error:
        source.report(str(error), place=error.place)
    if source.problems or source.root is None:
        raise InputError(source.problems)
    return source.root


def _set(tree: Any, path: Path, value: str | int, name: str) -> None:
    for step in path[:-1]:
        tree = tree.get(step) if isinstance(tree, dict) else None
    if not isinstance(tree, dict):
        raise InputError([Problem(name, field_path(path[:-1]), "is missing, or is no mapping of keys to values")])
    tree[path[-1]] = value


def _anew(wanted: Any) -> bytes:
    return f"{json.dumps(wanted, indent=2, ensure_ascii=False)}\n".encode()


def _index(starts: list[int], node: Node) -> int:
    return starts[node.place.line - 1] + node.place.column - 1


def _end(text: str, starts: list[int], node: Node) -> int | None:
    """Where a value ends; a mapping on lines of its own ends with its last value."""
    start = _index(starts, node)
    if isinstance(node.value, Mapping) and node.value and not text.startswith("{", start):
        return _end(text, starts, max(node.value.values(), key=lambda child: child.place))
    found = _VALUE.match(text, start)
    return None if found is None else found.end()
