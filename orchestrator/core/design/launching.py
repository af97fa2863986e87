"""From a cell to the commands that prepare and start its load in the guest."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.design.bookings import BookingsOptions, prepare_command, run_command
from orchestrator.core.design.trials import Cell


@dataclass(frozen=True)
class Launch:
    """What is run in the guest.

    Attributes:
        folder: where the workload's files lie, relative to the login's home.
        prepare: argument vector run to its end before the load, or ``None``.
        command: argument vector of the load.
    """

    folder: str
    prepare: tuple[str, ...] | None
    command: tuple[str, ...]


def launch(cell: Cell) -> Launch:
    """The commands of a cell; ``{threads}`` and ``{vcpus}`` are filled in, each argument on its own."""
    load = cell.workload
    folder = f"trialbed/{load.name}"
    if load.use is not None:
        options = BookingsOptions.model_validate(load.with_)
        return Launch(folder, prepare_command(options), run_command(options, cell.threads))

    def fill(argv: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(a.replace("{threads}", str(cell.threads)).replace("{vcpus}", str(cell.shape.vcpus)) for a in argv)

    return Launch(folder, fill(load.prepare) if load.prepare is not None else None, fill(load.command or ()))
