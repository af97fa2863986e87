"""The files of a plan's workloads as they will be sent to the guest, with their digests."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path

from orchestrator.core.design.bookings import PROGRAM
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.workload import MOST_FILE_BYTES
from orchestrator.engine.ports import WorkloadFiles
from orchestrator.errors import InputError, Problem
from orchestrator.units import format_size


def with_digests(files: Mapping[str, bytes]) -> WorkloadFiles:
    """Files with the SHA-256 of each."""
    return WorkloadFiles(files, {name: hashlib.sha256(content).hexdigest() for name, content in files.items()})


def from_inputs(plan: Plan, inputs: Mapping[str, bytes]) -> dict[str, WorkloadFiles]:
    """The files of every workload as a run kept them, by workload name: a run that goes on sends the same bytes.

    Args:
        plan: whose workloads.
        inputs: ``<workload>/<file>`` to content, among others.
    """
    kept = {}
    for load in plan.workloads:
        start = f"{load.name}/"
        files = {name.removeprefix(start): content for name, content in inputs.items() if name.startswith(start)}
        kept[load.name] = with_digests(files)
    return kept


def collect(plan: Plan, folder: Path) -> dict[str, WorkloadFiles]:
    """Read the files of every workload, by workload name.

    A built-in workload brings its program. Files of a command lie in the plan's folder or below; in the guest they lie
    side by side under their last names.

    Args:
        plan: whose workloads.
        folder: the folder that the plan lies in.

    Raises:
        InputError: with every file that is missing, is too large, or has the name of another.
    """
    problems: list[Problem] = []
    loads = {}
    for place, load in enumerate(plan.workloads):
        if load.use is not None:
            loads[load.name] = with_digests({PROGRAM: built_in(PROGRAM)})
            continue
        files: dict[str, bytes] = {}
        for number, name in enumerate(load.files):
            try:
                content = _content(folder, name)
                if Path(name).name in files:
                    raise ValueError(
                        f"another file is named {Path(name).name!r}, too; in the guest they lie side by side"
                    )
            except ValueError as error:
                problems.append(Problem(str(folder / name), f"workloads[{place}].files[{number}]", str(error)))
            else:
                files[Path(name).name] = content
        loads[load.name] = with_digests(files)
    if problems:
        raise InputError(problems)
    return loads


def built_in(program: str) -> bytes:
    """A program that comes with the package."""
    return resources.files("orchestrator.workloads").joinpath(program).read_bytes()


def _content(folder: Path, name: str) -> bytes:
    """Read one file. Raises ValueError with the reason why it cannot be sent."""
    path = folder / name
    try:
        size = path.stat().st_size
        if size > MOST_FILE_BYTES:
            raise ValueError(f"the file has {format_size(size)}; at most {format_size(MOST_FILE_BYTES)} are sent")
        return path.read_bytes()
    except OSError as error:
        raise ValueError(f"the file cannot be read: {error.strerror}") from error
