"""Numbers that are written with a unit: durations, sizes, percentages."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import core_schema

from orchestrator.core.design.findings import refusal
from orchestrator.core.design.wording import shown
from orchestrator.units import (
    format_celsius,
    format_duration,
    format_percent,
    format_size,
    parse_celsius,
    parse_duration,
    parse_percent,
    parse_size,
)


@dataclass(frozen=True)
class Quantity:
    """A number that is written as text with a unit; a bare number never gets a unit that it was not given.

    Attributes:
        noun: what it is called in messages.
        parse: text to number, in the package's units; raises ValueError.
        write: number to text, the way a file would hold it.
        pattern: regular expression of the text, for the JSON Schema.
        example: a good text.
    """

    noun: str
    parse: Callable[[str], float]
    write: Callable[[Any], str]
    pattern: str
    example: str

    def read(self, value: object) -> float:
        """The number that a text stands for."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            raise refusal(f"{shown(value)} has no unit; write {self.noun} such as {self.example!r}")
        if not isinstance(value, str):
            raise refusal(f"found {shown(value)}; write {self.noun} such as {self.example!r}")
        try:
            number = self.parse(value[:200])
        except ValueError as error:
            reason = f"{shown(value)} is too long" if len(value) > 200 else str(error)
            raise refusal(reason) from error
        if not math.isfinite(number):
            raise refusal(f"{shown(value)} is too large")
        return number

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_before_validator_function(self.read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        del schema, handler
        return {"type": "string", "pattern": self.pattern, "examples": [self.example]}


_PART = r"([0-9]+(\.[0-9]+)?|\.[0-9]+)\s*"
DURATION = Quantity("a duration", parse_duration, format_duration, rf"^\s*({_PART}(ms|s|min|h|d)\s*)+$", "1 h 30 min")
SIZE = Quantity("a size", parse_size, format_size, rf"^\s*{_PART}(B|KiB|MiB|GiB|TiB)\s*$", "512 MiB")
PERCENT = Quantity("a percentage", parse_percent, format_percent, rf"^\s*{_PART}%\s*$", "3 %")
CELSIUS = Quantity("a temperature", parse_celsius, format_celsius, rf"^\s*{_PART}°?C\s*$", "70 C")

#: Seconds, written with units: ``90 s``, ``5 min``, ``1 h 30 min``.
Duration = Annotated[float, DURATION]
#: Bytes, written in binary units: ``512 MiB``.
Size = Annotated[int, SIZE]
#: A fraction, written as a percentage: ``3 %``.
Percent = Annotated[float, PERCENT]
#: Degrees Celsius, written with their unit: ``70 C``.
Celsius = Annotated[float, CELSIUS]
