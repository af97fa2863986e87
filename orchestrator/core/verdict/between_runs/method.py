"""How a run was made and measured, as facts that two runs can be told apart by."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import NamedTuple

from orchestrator.core.design.neighbour import described, neighbours_in
from orchestrator.core.design.wording import on_one_line
from orchestrator.core.record.facts import Weight
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.units import format_celsius, format_duration, format_percent


class MethodFact(NamedTuple):
    """A fact of the method: its name in a sentence, how likely it is to matter, and its value in words.

    ``between`` is what stands between the parts of a value that is a list.
    """

    name: str
    weight: Weight
    value: str
    between: str = ""


#: Versions that decide what is measured; the other libraries only keep and compute.
_OWN = "trialbed"
#: Of a SHA-256, enough to tell two versions of a file apart.
_DIGITS = 12
_NOT_OF_THE_LOAD = frozenset({"name", "threads", "files"})


def _seconds(value: object) -> str:
    return format_duration(value) if isinstance(value, (int, float)) else "none"


def _fraction(value: object) -> str:
    return format_percent(value) if isinstance(value, (int, float)) else "none"


def _celsius(value: object) -> str:
    return format_celsius(value) if isinstance(value, (int, float)) else "none"


#: Of the plan: the keys that lead there, the name, the weight, and how a value is written.
_OF_THE_PLAN: tuple[tuple[tuple[str, ...], str, Weight, Callable[[object], str]], ...] = (
    (("measure", "every"), "time between samples", "unlikely", _seconds),
    (("measure", "warm_up", "at_least"), "shortest warm-up", "possible", _seconds),
    (("measure", "warm_up", "at_most"), "longest warm-up", "unlikely", _seconds),
    (("measure", "steady", "at_least"), "shortest steady window", "possible", _seconds),
    (("measure", "steady", "at_most"), "longest steady window", "unlikely", _seconds),
    (("measure", "steady", "until_within"), "steady until known within", "unlikely", _fraction),
    (("quiet", "busy_below"), "host counts as quiet below", "possible", _fraction),
    (("quiet", "pressure_below"), "host counts as quiet below a pressure of", "possible", _fraction),
    (("quiet", "cooler_than"), "host counts as quiet when cooler than", "possible", _celsius),
    (("quiet", "wait"), "longest wait for a quiet host", "unlikely", _seconds),
    (("quiet", "then"), "a host that is not quiet in time", "possible", str),
)


def loads_of(record: RunRecord) -> set[str]:
    """Names of the loads of a run."""
    return {str(load["name"]) for load in record.declared.workloads}


def method(run: StoredRun, loads: Collection[str]) -> dict[str, MethodFact]:
    """How a run was made and measured, by key.

    Args:
        run: the run.
        loads: names of the loads that are told of.
    """
    record = run.record
    origin = MethodFact("origin of the readings", "likely", record.origin)
    if record.origin == "imported":  # how they were taken is not known; what the record has for it tells nothing
        return {"origin": origin, "guest": MethodFact("name of the guest", "possible", record.guest)}
    return {
        "origin": origin,
        "driver": MethodFact("driver", "likely", record.hypervisor),
        "guest_kind": MethodFact("kind of guest", "likely", record.guest_kind),
        "guest": MethodFact("name of the guest", "possible", record.guest),
        "neighbours": MethodFact("neighbours", "likely", described(neighbours_in(record.plan)) or "none"),
        "share_host": MethodFact("host", "likely", "shared with other runs" if record.declared.share_host else "own"),
        "quiet": MethodFact(
            "quiet host before trials", "possible", "waited for" if record.declared.at("quiet") else "not waited for"
        ),
        **dict(_loads(record, loads)),
        **{
            ".".join(path): MethodFact(name, weight, write(record.declared.at(*path)))
            for path, name, weight, write in _OF_THE_PLAN
            if record.declared.at(path[0]) is not None
        },
        **_order(record),
        "accepted": MethodFact("changes while it lay", "likely", "; ".join(run.accepted) or "none", "; "),
        **{
            f"version of {name}": MethodFact(f"version of {name}", "possible" if name == _OWN else "unlikely", version)
            for name, version in record.versions.items()
        },
    }


def _order(record: RunRecord) -> dict[str, MethodFact]:
    return {
        "order": MethodFact("order of trials", "possible", on_one_line(record.declared.at("design", "order"))),
        "order_rule": MethodFact("rule of the order", "unlikely", record.order_rule),
        "seed": MethodFact("seed of the order", "unlikely", str(record.seed)),
    }


def _loads(record: RunRecord, loads: Collection[str]) -> Iterator[tuple[str, MethodFact]]:
    """What each load's definition and files are."""
    for load in record.declared.workloads:
        name = str(load["name"])
        if name not in loads:
            continue
        for key, value in load.items():
            if key not in _NOT_OF_THE_LOAD:
                yield f"workload {name}.{key}", MethodFact(_key_name(name, key), "likely", on_one_line(value))
        files = (key.removeprefix(f"{name}/") for key in sorted(record.inputs_sha256) if key.startswith(f"{name}/"))
        digests = [f"{file} {record.inputs_sha256[f'{name}/{file}'][:_DIGITS]}" for file in files]
        yield (
            f"workload {name}.files",
            MethodFact(f"workload {name}: files (SHA-256)", "likely", ", ".join(digests) or "none", ", "),
        )


def _written(key: str) -> str:
    """A key as a plan has it."""
    return key.strip("_").replace("_", "-")


def _key_name(load: str, key: str) -> str:
    return f"workload {load}: {_written(key)}"
