"""What the package prints as JSON, in one place: RFC 8259, keys in a stable order, never a number that JSON has not."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence, Set
from typing import Any

from pydantic import BaseModel

from orchestrator.core.measure import columns
from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.record.run_line import RunLine, tally
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.listing import listing
from orchestrator.engine.ports import TrialData
from orchestrator.engine.showing import rates

SCHEMA_VERSION = 1


def to_json(value: object) -> str:
    """A value as JSON text, ready to be printed.

    Only ASCII is written, so that no terminal and no locale can change or obey what a guest said.
    """
    return json.dumps(plain_value(value), indent=2, allow_nan=False, ensure_ascii=True)


def plain_value(value: object) -> Any:
    """A value of dictionaries, lists, text and numbers only; a number that is not finite is ``None``.

    Records keep the order of their fields, mappings that of their keys; sets are sorted.
    """
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if (fields := _fields(value)) is not None:
        return {str(name): plain_value(inner) for name, inner in fields.items()}
    if isinstance(value, (Sequence, Set)) and not isinstance(value, (bytes, bytearray)):
        items = [plain_value(inner) for inner in value]
        return sorted(items, key=str) if isinstance(value, Set) else items
    item = getattr(value, "item", None)  # a NumPy scalar
    return plain_value(item()) if callable(item) else str(value)


def _fields(value: object) -> Mapping[Any, Any] | None:
    if isinstance(value, Mapping):
        return value
    if isinstance(value, BaseModel):
        return {name: getattr(value, name) for name in type(value).model_fields}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    return None


def runs_json(runs: Sequence[RunLine], problems: Sequence[str] = ()) -> dict[str, Any]:
    """What ``trialbed list --json`` prints."""
    return {"schema_version": SCHEMA_VERSION, "runs": plain_value(listing(runs)), "problems": list(problems)}


def run_json(run: StoredRun, environment: Environment | None = None, problems: Sequence[str] = ()) -> dict[str, Any]:
    """What ``trialbed show RUN --json`` prints: the records as they are kept."""
    return {
        "schema_version": SCHEMA_VERSION,
        "run": plain_value(run.record),
        "state": run.state,
        "why": run.why,
        "lost": list(run.lost),
        "not_back": plain_value(run.not_back),
        "accepted": list(run.accepted),
        "last_sign_of_life_utc": run.heard_utc or None,
        "discarded": plain_value(run.discarded),
        "look": plain_value(run.look),
        "location": run.location,
        "tally": plain_value(tally(run)),
        "environment": plain_value(environment),
        "trials": plain_value(run.trials),
        "problems": list(problems),
    }


def trial_json(
    run: StoredRun, trial: TrialRecord, data: TrialData, problems: Sequence[str] = (), *, explanation: object = ()
) -> dict[str, Any]:
    """What ``trialbed show RUN TRIAL --json`` prints: the record, every series as columns, and the log.

    The steps that led to the mean are added as ``explanation`` where they are given.
    """
    told = {"explanation": plain_value(explanation)} if explanation else {}
    return {
        "schema_version": SCHEMA_VERSION,
        "run": run.record.id,
        "trial": plain_value(trial),
        "rates": plain_value(rates(run, trial, data.throughput)),
        "series": {
            "throughput": plain_value(columns.from_rows(data.throughput, first=("time_s", "value"))),
            "host": plain_value(columns.from_samples(data.host)),
            "guest": plain_value(columns.from_samples(data.guest)),
            "vcpu": plain_value(columns.from_samples(data.vcpu)),
        },
        "log": data.log,
        "problems": list(problems),
        **told,
    }
