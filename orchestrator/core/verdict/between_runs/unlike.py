"""What is not the same about two cells of one name, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeAlias

from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import on_one_line, says_nothing
from orchestrator.core.design.workload import Workload
from orchestrator.core.record.cell_identity import CellIdentity, without_defaults
from orchestrator.core.record.run import RunRecord
from orchestrator.core.verdict.words import listed
from orchestrator.units import format_percent, format_size

Known: TypeAlias = tuple[CellIdentity, RunRecord]

#: More differences than these few say that it is another thing, and hide which.
_FEW = 4


def only_files(one: CellIdentity, two: CellIdentity) -> tuple[str, ...]:
    """Files that only one of two cells sends, or that are not the same in both."""
    names = sorted(one.files.keys() | two.files.keys())
    return tuple(name for name in names if one.files.get(name) != two.files.get(name))


def unlike(mine: Known, theirs: Known, where: str) -> str:
    """``shape two has 2 GiB, 1 GiB in the base``; empty where nothing is known to differ.

    Args:
        mine: the cell that is spoken of, and its run.
        theirs: the one that it is held against.
        where: the other run in words: ``the base``.
    """
    (cell, record), (other, theirs_record) = mine, theirs
    shapes = (_shape(record, cell), _shape(theirs_record, other))
    loads = (_load(record, cell), _load(theirs_record, other))
    parts = [*_of_shape(cell, *shapes, where), *_of_load(cell, *loads, where)]
    if parts:
        return "; ".join(parts[:_FEW])
    if files := only_files(cell, other):
        are = "is another file" if len(files) == 1 else "are other files"
        return f"{listed(list(files))} {are} than in {where}; --accept-changes compares it all the same"
    return ""


def _shape(record: RunRecord, cell: CellIdentity) -> Mapping[str, Any]:
    return without_defaults(next(s for s in record.declared.shapes if s["name"] == cell.shape), Shape)


def _load(record: RunRecord, cell: CellIdentity) -> Mapping[str, Any]:
    return without_defaults(next(w for w in record.declared.workloads if w["name"] == cell.workload), Workload)


def _differing(mine: Mapping[str, Any], theirs: Mapping[str, Any], without: tuple[str, ...]) -> Iterator[str]:
    for key in sorted(mine.keys() | theirs.keys(), key=lambda key: (key != "vcpus", key != "memory", key)):
        one, two = mine.get(key), theirs.get(key)
        if key not in without and one != two and not (says_nothing(one) and says_nothing(two)):
            yield key


def _of_shape(cell: CellIdentity, mine: Mapping[str, Any], theirs: Mapping[str, Any], where: str) -> Iterator[str]:
    for key in _differing(mine, theirs, ("name",)):
        one, two = (_sized(key, _said(declared, key, Shape)) for declared in (mine, theirs))
        has = f"has {one}, {two}" if key in {"vcpus", "memory"} else f"has {key} {one}, {two}"
        yield f"shape {cell.shape} {has} in {where}"


def _sized(key: str, value: Any) -> str:
    if says_nothing(value):
        return "none"
    match key:
        case "vcpus":
            return f"{value} vCPU{'' if value == 1 else 's'}"
        case "memory":
            return format_size(int(value))
        case "quota":
            return format_percent(float(value))
        case _:
            return on_one_line(value)


def _of_load(cell: CellIdentity, mine: Mapping[str, Any], theirs: Mapping[str, Any], where: str) -> Iterator[str]:
    for key in _differing(mine, theirs, ("name", "threads")):
        one, two = (on_one_line(_said(declared, key, Workload)) for declared in (mine, theirs))
        yield f"workload {cell.workload} has {key.rstrip('_').replace('_', '-')}: {one}, {two} in {where}"


def _said(declared: Mapping[str, Any], key: str, model: type[Shape | Workload]) -> Any:
    """What is declared, or what stands for it where it is not."""
    field = model.model_fields.get(key)
    return declared.get(key, None if field is None or field.is_required() else field.default)
