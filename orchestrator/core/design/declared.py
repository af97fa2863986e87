"""The ground that every declared value stands on: frozen models, kebab-case keys, names and texts.

Findings and quantities have modules of their own; they are named here as well, so that a model needs one import.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    StrictBool,
    StrictInt,
    StrictStr,
    WithJsonSchema,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import core_schema

from orchestrator.core.design.findings import OWN_WORDS, Finding, build_checked, refusal, refuse
from orchestrator.core.design.quantity import DURATION, PERCENT, SIZE, Duration, Percent, Quantity, Size
from orchestrator.core.design.wording import shown

__all__ = [
    "DURATION",
    "OWN_WORDS",
    "PERCENT",
    "SIZE",
    "Amount",
    "Declared",
    "DescribedBy",
    "Duration",
    "FileBeside",
    "Finding",
    "Flag",
    "Line",
    "Name",
    "Percent",
    "Quantity",
    "Size",
    "Text",
    "Whole",
    "build_checked",
    "refusal",
    "refuse",
    "repeated",
    "repeats",
]


def _kebab(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


class Declared(BaseModel):
    """A value that somebody wrote down: frozen, valid once built, and closed against unknown keys."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", alias_generator=_kebab, populate_by_name=True, use_attribute_docstrings=True
    )


@dataclass(frozen=True)
class DescribedBy:
    """Marks a plain mapping with the model that checks it, for the JSON Schema and for messages."""

    model: type[Declared]

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        del schema
        return handler(self.model.__pydantic_core_schema__)


def _name(value: object) -> str:
    if not isinstance(value, str):
        raise refusal(f"found {shown(value)}, which is not text; put a name in quotes")
    allowed = value[:1].isalnum() and value.isascii() and all(c.isalnum() or c in "-_." for c in value)
    if not allowed or len(value) > 40:
        raise refusal(
            f"{shown(value)} is not a name: it becomes part of a folder's name, so use up to 40 ASCII letters, digits, "
            "'-', '_' and '.', starting with a letter or digit"
        )
    return value


def _line(value: object) -> object:
    if isinstance(value, str) and not (value.isprintable() and value.strip()):
        raise refusal(
            f"{shown(value)} is not one line of printable text; it is shown in tables, so write it without line ends"
        )
    return value


def _number(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float):
        unquoted = " without quotes" if isinstance(value, str) else ""
        raise refusal(f"found {shown(value)}; write a number such as 0.021{unquoted}")
    return value


def _relative(value: object) -> object:
    if not isinstance(value, str):
        return value
    steps = value.split("/")
    if "\\" in value or value[1:2] == ":":
        raise refusal(f"{shown(value)} is written the Windows way; put '/' between folders and leave the drive out")
    if value.startswith(("/", "~")) or ".." in steps:
        raise refusal(
            f"{shown(value)} leads out of the plan's folder; files lie beside the plan or below it, "
            "so that the plan can be handed on whole"
        )
    if not value.isprintable() or any(step in {"", "."} for step in steps):
        raise refusal(f"{shown(value)} is not the path of a file; write for example 'load.py' or 'tools/load.py'")
    return value


#: A name that may become part of a trial's id and so of a folder's name.
Name = Annotated[
    str, BeforeValidator(_name), WithJsonSchema({"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$"})
]
Text = StrictStr
#: Text that is shown in tables and titles.
Line = Annotated[StrictStr, BeforeValidator(_line)]
#: Path of a file beside the plan, or in a folder below.
FileBeside = Annotated[StrictStr, BeforeValidator(_relative)]
Whole = StrictInt
#: A price in whatever currency: a plain number, whole or not.
Amount = Annotated[float, Field(ge=0, le=10**12, allow_inf_nan=False), BeforeValidator(_number)]
Flag = StrictBool


def repeated(values: Iterable[Hashable]) -> list[Any]:
    """The values that occur more than once, in the order of their second appearance."""
    return list(dict.fromkeys(value for value, _ in repeats(values)))


def repeats(values: Iterable[Hashable]) -> list[tuple[Any, int]]:
    """Each value that was there before, with the position of this later appearance."""
    seen: set[Hashable] = set()
    later: list[tuple[Any, int]] = []
    for position, value in enumerate(values):
        if value in seen:
            later.append((value, position))
        seen.add(value)
    return later


def with_program(argv: tuple[str, ...] | None) -> tuple[str, ...] | None:
    """An argument vector as it is, refused where its first item, the program, is blank."""
    if argv is not None and not argv[0].strip():
        refuse([Finding((0,), "the program's name is empty; the first item is the program, the others its arguments")])
    return argv


def different_cpus(cpus: tuple[int, ...] | None) -> tuple[int, ...] | None:
    """CPU numbers as they are, refused where one of them is repeated."""
    refuse([Finding((i,), f"CPU {cpu} is listed twice; name each CPU once") for cpu, i in repeats(cpus or ())])
    return cpus
