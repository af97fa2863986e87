"""JSON Schema (draft 2020-12) of plan and lab, generated from the models, for editors and other programs.

The schema says what a single value may be. What concerns several values at once (names used twice, a shape beyond the
guest's limits) only the loader can say.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from orchestrator.core.design.declared import Declared
from orchestrator.core.design.fields import Slot
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan

DIALECT = "https://json-schema.org/draft/2020-12/schema"
#: The files whose schema is published, by the word that names them.
MODELS: Mapping[str, type[Declared]] = {"plan": Plan, "lab": Lab}


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of a file.

    Args:
        kind: ``plan`` or ``lab``.

    Returns:
        The schema with the keys, texts and defaults that a file would hold: ``warm-up``, ``512 MiB``, ``3 %``.
    """
    model = MODELS[kind]
    generated = model.model_json_schema(by_alias=True, mode="validation")
    definitions = generated.get("$defs", {})
    for slot in Slot.of(model).walk():
        if slot.model is not None:
            _in_units_of_the_file(slot, generated if slot.model is model else definitions.get(slot.model.__name__, {}))
    generated["title"] = f"trialbed {kind}"
    return {"$schema": DIALECT, "$id": f"urn:trialbed:schema:{kind}:1", **generated}


def schema_text(kind: str) -> str:
    """The schema as the text of a file."""
    return json.dumps(schema(kind), indent=2, ensure_ascii=False) + "\n"


def _in_units_of_the_file(slot: Slot, described: dict[str, Any]) -> None:
    """Write the defaults of a model's fields the way a file does, and drop those that only repeat deeper defaults."""
    for key, field in slot.fields.items():
        entry = described.get("properties", {}).get(key, {})
        default = entry.get("default")
        if field.model is not None and "properties" in entry:
            _in_units_of_the_file(field, entry)
        if isinstance(default, dict) or ("default" in entry and default is None):
            del entry["default"]
        elif field.quantity is not None and isinstance(default, int | float):
            entry["default"] = field.quantity.write(default)
