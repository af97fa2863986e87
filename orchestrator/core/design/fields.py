"""What a declared model accepts at a path: the keys, the bounds and the unit, for messages and for the JSON Schema."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from orchestrator.core.design.declared import DescribedBy, Quantity


@dataclass(frozen=True)
class Slot:
    """A place in a model where a value is written.

    Attributes:
        type: the bare type of the value: no ``Annotated``, no ``| None``.
        marks: what is annotated on it: bounds, quantities, the model of a plain mapping.
        description: what the field is for; empty where nothing is said.
        optional: whether the key may be left out.
    """

    type: Any
    marks: tuple[Any, ...] = ()
    description: str = ""
    optional: bool = False

    @classmethod
    def of(cls, annotation: Any, marks: Sequence[Any] = (), description: str = "") -> Slot:
        """Take an annotation apart."""
        origin = get_origin(annotation)
        if origin is Annotated:
            inner, *more = get_args(annotation)
            flat = [mark for item in more for mark in (item.metadata if isinstance(item, FieldInfo) else [item])]
            return cls.of(inner, [*flat, *marks], description)
        if origin is Union or isinstance(annotation, UnionType):
            given = [choice for choice in get_args(annotation) if choice is not type(None)]
            return (
                cls.of(given[0], marks, description) if len(given) == 1 else cls(annotation, tuple(marks), description)
            )
        return cls(annotation, tuple(marks), description)

    @property
    def model(self) -> type[BaseModel] | None:
        """The model whose keys are written here, if any."""
        described = next((mark.model for mark in self.marks if isinstance(mark, DescribedBy)), self.type)
        return described if isinstance(described, type) and issubclass(described, BaseModel) else None

    @property
    def fields(self) -> dict[str, Slot]:
        """The keys that may be written here, with what each accepts."""
        if self.model is None:
            return {}
        return {
            info.alias or name: replace(
                Slot.of(info.annotation, info.metadata, info.description or ""), optional=not info.is_required()
            )
            for name, info in self.model.model_fields.items()
        }

    @property
    def item(self) -> Slot | None:
        """What each item of a list, or each value of a mapping with free keys, accepts."""
        arguments = get_args(self.type)
        if get_origin(self.type) is dict and self.model is None:
            return Slot.of(arguments[1])
        if get_origin(self.type) in {tuple, list}:
            return Slot.of(arguments[0])
        return None

    @property
    def choices(self) -> tuple[Any, ...]:
        """The values of a literal type."""
        return get_args(self.type) if get_origin(self.type) is Literal else ()

    @property
    def quantity(self) -> Quantity | None:
        """The unit-bearing quantity that is written here, if it is one."""
        return next((mark for mark in self.marks if isinstance(mark, Quantity)), None)

    def bound(self, kind: str) -> Any:
        """The bound of a kind (``ge``, ``gt``, ``le``, ``lt``, ``min_length``, ``max_length``); None without one."""
        return next((value for mark in self.marks if (value := getattr(mark, kind, None)) is not None), None)

    def at(self, path: Sequence[str | int]) -> Slot | None:
        """What is accepted at a path below; None where the path leads out of what is declared."""
        slot: Slot | None = self
        for step in path:
            if slot is None:
                return None
            named = slot.fields.get(step) if isinstance(step, str) else None
            slot = named or slot._item_by(type(step))
        return slot

    def _item_by(self, step: type) -> Slot | None:
        """The item, if items are reached by steps of this type: keys of a mapping, positions in a list."""
        return self.item if (get_origin(self.type) is dict) == (step is str) else None

    def walk(self) -> Iterator[Slot]:
        """This slot and all below it, each model's fields in the order declared."""
        yield self
        for child in (*self.fields.values(), *([self.item] if self.item is not None else [])):
            yield from child.walk()
