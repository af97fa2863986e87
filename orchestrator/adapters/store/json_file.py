"""Records as JSON files, and back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from orchestrator.adapters.store.atomic import explained
from orchestrator.core.measure.results import Record
from orchestrator.core.record.trial import SCHEMA_VERSION
from orchestrator.errors import StoreError

R = TypeVar("R", bound=Record)


def document(record: Record) -> bytes:
    """A record as a JSON file: fields in the order of the model, no number that JSON does not have."""
    return record.model_dump_json(indent=2, fallback=str).encode() + b"\n"


def load(model: type[R], path: Path) -> R:
    """Read one JSON file.

    Raises:
        StoreError: when it is missing, cut short, of a newer version, or not what it should be.
    """
    with explained("read", path):
        content = path.read_bytes()
    try:
        return model.model_validate_json(content)
    except ValidationError as error:
        raise StoreError(f"{path}: {_why_not(content, error)}") from error


def _why_not(content: bytes, error: ValidationError) -> str:
    try:
        found = json.loads(content)
    except (ValueError, RecursionError):
        return f"damaged or cut short ({len(content)} bytes are not a JSON document); restore it from a copy"
    version = found.get("schema_version") if isinstance(found, dict) else None
    if isinstance(version, int) and version > SCHEMA_VERSION:
        return (
            f"written by a newer version (schema_version {version}; this one reads {SCHEMA_VERSION}); update trialbed"
        )
    first = error.errors(include_url=False, include_input=False)[0]
    field = ".".join(str(part) for part in first["loc"]) or "the document"
    return f"not a record that trialbed wrote: {field}: {first['msg']}; restore it from a copy"
