"""How many blocks: a number, or as many as it takes to decide, between two limits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import core_schema

from orchestrator.core.design.declared import Declared, DescribedBy, Finding, Whole, refusal, refuse
from orchestrator.core.design.wording import shown

MOST_BLOCKS = 1000
#: With one block nothing tells how far trials scatter, so nothing could be decided.
FEWEST_THAT_DECIDE = 2


class UntilDecided(Declared):
    """Blocks are added, each whole, until every question of the plan is decided."""

    until: Literal["decided"]
    """The run ends once every load is decided at the plan's confidence, over all looks together."""
    at_least: Annotated[Whole, Field(ge=FEWEST_THAT_DECIDE, le=MOST_BLOCKS)] = 3
    """Always measured; the first look at the evidence comes after them."""
    at_most: Annotated[Whole, Field(ge=FEWEST_THAT_DECIDE, le=MOST_BLOCKS)] = 12
    """The run ends here however undecided it still is."""

    @model_validator(mode="after")
    def _ordered(self) -> UntilDecided:
        if self.at_least > self.at_most:
            usual = "" if "at_most" in self.model_fields_set else ", which it is unless you give it"
            most = f"at-most ({self.at_most}{usual})"
            message = f"at-least ({self.at_least}) is more than {most}; lower the one or raise the other"
            refuse([Finding(("at-least",), message)])
        return self


class _NumberOrLimits(DescribedBy):
    """Reads a whole number or the mapping; a message is about the one that was written."""

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_wrap_validator_function(_blocks, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        limits = super().__get_pydantic_json_schema__(schema, handler)
        return {"anyOf": [{"type": "integer", "minimum": 1, "maximum": MOST_BLOCKS}, limits]}


def _blocks(value: object, _read: Any) -> int | UntilDecided:
    if isinstance(value, UntilDecided):
        return value
    if isinstance(value, Mapping):
        return UntilDecided.model_validate(value)
    wanted = (
        f"write a whole number from 1 to {MOST_BLOCKS}, or limits such as {{at-least: 3, at-most: 12, until: decided}}"
    )
    if isinstance(value, bool) or not isinstance(value, int):
        kind = " (text)" if isinstance(value, str) else " (a number)" if isinstance(value, float) else ""
        raise refusal(f"found {shown(value)}{kind}; {wanted}")
    if not 1 <= value <= MOST_BLOCKS:
        raise refusal(f"{shown(value)} is out of range; {wanted}")
    return value


#: Passes over all cells: a number, or limits between which the evidence decides.
Blocks = Annotated[int | UntilDecided, _NumberOrLimits(UntilDecided)]
