"""Other load beside the measured guest, declared with the plan: what makes a busy host busy the same way each time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated

from pydantic import Field, ValidationError, field_validator, model_validator

from orchestrator.core.design.declared import (
    Declared,
    Finding,
    Name,
    Text,
    Whole,
    different_cpus,
    refusal,
    refuse,
    with_program,
)
from orchestrator.core.design.wording import listed, shown


class Neighbour(Declared):
    """A load that runs beside every trial: busy loops or a command, on the host or in another guest of it.

    It is started before the first trial, looked after at each, and ended with the run.
    """

    name: Name
    """Names the neighbour in messages and reports."""
    guest: Text | None = None
    """Another guest of the lab on the same host, used as it is defined; without it the load runs on the host itself."""
    loops: Annotated[Whole, Field(ge=1, le=1024)] | None = None
    """Busy loops: each always wants one CPU, as a session of its own."""
    pin: Annotated[tuple[Annotated[Whole, Field(ge=0, le=65535)], ...], Field(min_length=1)] | None = None
    """CPUs of the machine the loops run on, dealt out in turn: each loop stays on one of them."""
    command: Annotated[tuple[Text, ...], Field(min_length=1)] | None = None
    """Argument vector of a load that goes on until it is ended. Never passed through a shell."""

    @field_validator("pin")
    @classmethod
    def _pinned_cpus_differ(cls, pin: tuple[int, ...] | None) -> tuple[int, ...] | None:
        return different_cpus(pin)

    @field_validator("command")
    @classmethod
    def _program_is_named(cls, argv: tuple[str, ...] | None) -> tuple[str, ...] | None:
        return with_program(argv)

    @model_validator(mode="after")
    def _one_kind_of_load(self) -> Neighbour:
        if (self.loops is None) == (self.command is None):
            raise refusal(
                f"a neighbour has either loops or command, not {'both' if self.command else 'neither'}; "
                "write one of them, for example loops: 2"
            )
        if self.pin is not None and self.command is not None:
            refuse([Finding(("pin",), "pin belongs to loops; have the command choose its CPUs itself, with taskset")])
        return self

    @property
    def least_cpus(self) -> int:
        """CPUs that its loops use at least where nothing keeps them from it.

        In a guest that is one, since no plan tells its vCPUs; what a command uses is not known beforehand: 0.
        """
        if self.loops is None:
            return 0
        if self.guest is not None:
            return 1
        return self.loops if self.pin is None else min(self.loops, len(self.pin))

    def __str__(self) -> str:
        """``hogs (2 busy loops on the host's CPUs 0, 1)``."""
        place = "on the host" if self.guest is None else f"in guest {self.guest}"
        if self.command is not None:
            return f"{self.name} ({shown(' '.join(self.command))} {place})"
        loops = "1 busy loop" if self.loops == 1 else f"{self.loops} busy loops"
        if self.pin is None:
            return f"{self.name} ({loops} {place})"
        cpus = f"CPU{'' if len(self.pin) == 1 else 's'} {listed(self.pin)}"
        where = f"on the host's {cpus}" if self.guest is None else f"on {cpus} of guest {self.guest}"
        return f"{self.name} ({loops} {where})"


def guests_of(neighbours: Iterable[Neighbour]) -> tuple[str, ...]:
    """The guests that carry neighbours, each once, in the order in which they are named."""
    return tuple(dict.fromkeys(neighbour.guest for neighbour in neighbours if neighbour.guest is not None))


def least_cpus(neighbours: Sequence[Neighbour]) -> int | None:
    """CPUs that the loops of all of them use at least; ``None`` where no neighbours are declared."""
    return sum(neighbour.least_cpus for neighbour in neighbours) if neighbours else None


def described(neighbours: Iterable[Neighbour]) -> str:
    """All of them in one line; empty when there are none."""
    return "; ".join(str(neighbour) for neighbour in neighbours)


def neighbours_in(plan: Mapping[str, object]) -> tuple[Neighbour, ...]:
    """The neighbours of a plan as a run keeps it, whatever version wrote it; those that cannot be read are left out."""
    declared = plan.get("neighbours")
    found = []
    for item in declared if isinstance(declared, list | tuple) else ():
        try:
            found.append(Neighbour.model_validate(item))
        except ValidationError:
            continue
    return tuple(found)
