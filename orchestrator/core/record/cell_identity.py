"""What a cell is, whatever it is called: its size, its load down to the bytes that are sent, and its threads.

Two runs are compared cell by cell; a name alone would set a shape of 1 GiB against one of 2 GiB, or a load against
another version of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel

from orchestrator.core.design.shape import Shape, Topology
from orchestrator.core.design.workload import Reader, Workload
from orchestrator.core.measure.results import Record
from orchestrator.core.record.run import RunRecord

_NAMES = ("name",)
_NOTHING: tuple[object, ...] = (None, "", [], {}, ())
#: Of a workload, what names it and which thread counts are tried with it; neither is the load itself.
_NOT_THE_LOAD = ("name", "threads")
#: What parts of a shape and of a workload are, so that a setting at its default says as much as one that is absent: a
#: plan that was stored before a setting existed still tells the same size.
_PARTS: Mapping[str, type[BaseModel]] = {"topology": Topology, "reader": Reader}


class CellIdentity(Record):
    """One cell of a run: its names there, and what it is.

    Attributes:
        shape, workload, threads: as the run's plan names them.
        size: the shape less its name, in one spelling (keys sorted, nothing that is not set or at its default).
        load: the workload less its name and thread counts, likewise; empty where all that is known is its name.
        files: SHA-256 of each file that the workload sends to the guest.
        vcpus: of the shape.
        memory: of the shape, in bytes; ``None`` where it was not noted.
    """

    shape: str
    workload: str
    threads: int
    size: str
    load: str
    files: dict[str, str]
    vcpus: int
    memory: int | None

    @property
    def id(self) -> str:
        """``two-bookings-t2``."""
        return f"{self.shape}-{self.workload}-t{self.threads}"

    @property
    def key(self) -> tuple[str, int, str]:
        """Workload, threads, shape: as :attr:`~orchestrator.core.verdict.cells.CellReadings.key` has it."""
        return (self.workload, self.threads, self.shape)


def cell_identities(record: RunRecord) -> tuple[CellIdentity, ...]:
    """Every cell that a run's trials belong to, in the order of its trials' first block."""
    shapes = {str(shape["name"]): shape for shape in record.declared.shapes}
    loads = {str(load["name"]): load for load in record.declared.workloads}
    found: dict[tuple[str, str, int], CellIdentity] = {}
    for trial in record.trials:
        key = (trial.shape, trial.workload, trial.threads)
        if key not in found:
            shape, load = shapes[trial.shape], loads[trial.workload]
            memory = shape.get("memory")
            found[key] = CellIdentity(
                shape=trial.shape,
                workload=trial.workload,
                threads=trial.threads,
                size=_canonical(shape, _NAMES, Shape),
                load=_canonical(load, _NOT_THE_LOAD, Workload),
                # What was imported sent nothing: its inputs are a table and logs.
                files=_files(record.inputs_sha256, trial.workload) if record.origin == "measured" else {},
                vcpus=int(shape["vcpus"]),
                memory=None if memory is None else int(memory),
            )
    return tuple(found.values())


def _files(inputs: Mapping[str, str], workload: str) -> dict[str, str]:
    start = f"{workload}/"
    return {name.removeprefix(start): digest for name, digest in sorted(inputs.items()) if name.startswith(start)}


def _canonical(declared: Mapping[str, Any], without: tuple[str, ...], model: type[BaseModel]) -> str:
    kept = {key: value for key, value in without_defaults(declared, model).items() if key not in without}
    return _spelled(kept) if any(value not in _NOTHING for value in kept.values()) else ""


def without_defaults(declared: Mapping[str, Any], model: type[BaseModel]) -> dict[str, Any]:
    """What a stored shape or workload says beyond the defaults of its kind."""
    found: dict[str, Any] = {}
    for key, value in declared.items():
        field = model.model_fields.get(key)
        part = _PARTS.get(key)
        if part is not None and isinstance(value, Mapping):
            found[key] = without_defaults(value, part)
        elif field is None or field.default != value:
            found[key] = value
    return found


def _spelled(value: object) -> str:
    """What is declared, in one spelling: keys sorted, and a key that is absent says as much as one that is empty."""
    if isinstance(value, Mapping):
        parts = (f"{key}: {_spelled(of_key)}" for key, of_key in sorted(value.items()) if of_key not in _NOTHING)
        return f"{{{', '.join(parts)}}}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return f"[{', '.join(map(_spelled, value))}]"
    return repr(value)
