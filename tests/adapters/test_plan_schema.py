"""The JSON Schema of plan and lab, against the meta-schema of draft 2020-12 and an independent validator."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator
from plan_texts import LAB, PLAN, edited

from orchestrator.adapters.schema import MODELS, schema, schema_text

ROOT = Path(__file__).parents[2]
PLANS = sorted((ROOT / "plans").glob("*.yaml"))
LABS = sorted((ROOT / "plans" / "labs").glob("*.yaml"))
STORED = {"plan": ROOT / "plans" / "plan.schema.json", "lab": ROOT / "plans" / "labs" / "lab.schema.json"}


def objections(kind: str, text: str) -> list[str]:
    """Where an independent validator objects to a file."""
    validator = Draft202012Validator(schema(kind))
    return ["/".join(map(str, error.absolute_path)) for error in validator.iter_errors(yaml.safe_load(text))]


def nodes(value: Any) -> Iterator[dict[str, Any]]:
    """Every object in a schema."""
    if isinstance(value, dict):
        yield value
    for child in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from nodes(child)


@pytest.mark.parametrize("kind", MODELS)
def test_it_is_a_schema_of_draft_2020_12(kind: str) -> None:
    made = schema(kind)
    Draft202012Validator.check_schema(made)
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert made["$id"] == f"urn:trialbed:schema:{kind}:1"


@pytest.mark.parametrize("kind", MODELS)
def test_every_field_has_a_description_and_keys_as_files_hold_them(kind: str) -> None:
    described = [entry for node in nodes(schema(kind)) for entry in node.get("properties", {}).items()]
    assert len(described) > 15
    # A bare reference is described by what it refers to.
    assert [key for key, entry in described if not entry.get("description") and set(entry) != {"$ref"}] == []
    assert [key for key, _ in described if "_" in key] == []


@pytest.mark.parametrize("kind", MODELS)
def test_defaults_are_written_as_a_file_would_and_are_valid(kind: str) -> None:
    whole = schema(kind)
    entries = [node for node in nodes(whole) if "default" in node]
    assert entries
    for entry in entries:
        Draft202012Validator({**entry, "$defs": whole["$defs"]}).validate(entry["default"])


def test_some_defaults_by_hand() -> None:
    parts = schema("plan")["$defs"]
    assert parts["WarmUp"]["properties"]["at-most"]["default"] == "5 min"
    assert parts["Decide"]["properties"]["margin"]["default"] == "3 %"
    assert parts["Workload"]["properties"]["with"]["properties"]["reads"]["default"] == "80 %"


@pytest.mark.parametrize(
    ("kind", "path"), [*(("plan", p) for p in PLANS), *(("lab", p) for p in LABS)], ids=lambda v: getattr(v, "name", v)
)
def test_every_example_is_valid(kind: str, path: Path) -> None:
    assert objections(kind, path.read_text()) == []
    assert path.read_text().startswith(f"# yaml-language-server: $schema={kind}.schema.json\n")


@pytest.mark.parametrize("kind", MODELS)
def test_the_stored_schema_is_current(kind: str) -> None:
    """When this fails, write the file anew with ``trialbed schema plan`` or ``trialbed schema lab``."""
    assert STORED[kind].read_text() == schema_text(kind)
    assert json.loads(schema_text(kind)) == schema(kind)


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("title: How many vCPUs does the bookings database need?\n", "", ""),
        ("guest: bookings-1", "guest: 5", "guest"),
        ("guest: bookings-1", "gest: bookings-1", ""),
        ("vcpus: 1,", "vcpus: 0,", "shapes/0/vcpus"),
        ("vcpus: 1,", "vcpus: '1',", "shapes/0/vcpus"),
        ("memory: 512 MiB", "memory: 512 MB", "shapes/0/memory"),
        ("memory: 512 MiB", "memory: 512", "shapes/0/memory"),
        ("name: one,", "name: one two,", "shapes/0/name"),
        ("use: bookings", "use: bokings", "workloads/0/use"),
        ("reads: 70 %", "reads: 70", "workloads/0/with/reads"),
        ("reads: 70 %", "read: 70 %", "workloads/0/with"),
        ("threads: [1, 2]", "threads: []", "workloads/0/threads"),
        ("threads: [1, 2]", "threads: [0]", "workloads/0/threads/0"),
        ("per: minute", "per: day", "workloads/1/reader"),
        ("order: random", "order: randm", "design/order"),
        ("blocks: 4", "blocks: 1001", "design/blocks"),
        ("every: 1 s", "every: 1", "measure/every"),
        ("every: 1 s", "every: 1 fortnight", "measure/every"),
        ("warm-up:", "warm_up:", "measure"),
        ("margin: 3 %", "margin: 0.03", "decide/margin"),
    ],
)
def test_wrong_plans_are_found_by_any_validator(old: str, new: str, where: str) -> None:
    assert objections("plan", PLAN) == []
    assert any(found.startswith(where) for found in objections("plan", edited(PLAN, old, new)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("hosts:\n", "host:\n"),
        ("may-power-cycle: true", "may-power-cycle: 1"),
        ("port: 22\n", "port: 0\n"),
        ("limits: {vcpus: 4, memory: 8 GiB}", "limits: {vcpus: 4, memory: 8}"),
        ("tickets-1: {host: rack-b}", "tickets-1: {}"),
    ],
)
def test_wrong_labs_are_found_by_any_validator(old: str, new: str) -> None:
    assert objections("lab", LAB) == []
    assert objections("lab", edited(LAB, old, new))
