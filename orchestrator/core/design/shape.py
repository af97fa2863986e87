"""A guest's size."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from orchestrator.core.design.declared import (
    Declared,
    Finding,
    Name,
    Percent,
    Size,
    Whole,
    different_cpus,
    refuse,
)

#: The optional features of a shape, which a hypervisor driver may have or not.
FEATURES = frozenset({"topology", "quota", "shares", "pin", "live"})


class Topology(Declared):
    """How a guest's vCPUs are presented to it: sockets x cores x threads."""

    sockets: Annotated[Whole, Field(ge=1, le=1024)] = 1
    """Sockets."""
    cores: Annotated[Whole, Field(ge=1, le=1024)] = 1
    """Cores in each socket."""
    threads: Annotated[Whole, Field(ge=1, le=1024)] = 1
    """Hardware threads in each core."""

    @property
    def vcpus(self) -> int:
        """The number of vCPUs that this topology presents."""
        return self.sockets * self.cores * self.threads


class Shape(Declared):
    """A size that the plan gives the guest: what a cell varies besides workload and threads."""

    name: Name
    """Names the shape in cells, tables and filters."""
    vcpus: Annotated[Whole, Field(ge=1, le=1024)]
    """Virtual CPUs."""
    memory: Annotated[Size, Field(ge=2**20, le=2**50)]
    """Memory of the guest."""
    topology: Topology | None = None
    """How the vCPUs are presented; the product of its parts equals ``vcpus``."""
    quota: Annotated[Percent, Field(gt=0, le=1024)] | None = None
    """CPU time allowed to the whole guest, of one physical CPU: ``150 %`` is one and a half CPUs."""
    shares: Annotated[Whole, Field(ge=2, le=10000)] | None = None
    """Weight of the guest against others when physical CPUs are short; 100 is what a guest has that sets none."""
    pin: Annotated[tuple[Annotated[Whole, Field(ge=0, le=65535)], ...], Field(min_length=1)] | None = None
    """Physical CPUs that the guest's vCPUs may run on, by the host's numbering."""
    reshape: Literal["cold", "live"] = "cold"
    """``cold``: the guest boots with all its vCPUs; ``live``: it boots with one and the others are plugged in then."""

    @field_validator("pin")
    @classmethod
    def _pinned_cpus_differ(cls, pin: tuple[int, ...] | None) -> tuple[int, ...] | None:
        return different_cpus(pin)

    @model_validator(mode="after")
    def _topology_multiplies_to_vcpus(self) -> Shape:
        t = self.topology
        if t is not None and t.vcpus != self.vcpus:
            product = f"{t.sockets} x {t.cores} x {t.threads} = {t.vcpus}"
            refuse(
                [
                    Finding(
                        ("topology",),
                        f"sockets x cores x threads is {product}, which is not vcpus: {self.vcpus}; change one of them",
                    )
                ]
            )
        return self

    @property
    def size(self) -> tuple[int, int]:
        """What 'smaller' means among shapes: vCPUs first, then memory."""
        return (self.vcpus, self.memory)

    @property
    def extras(self) -> frozenset[str]:
        """The optional features this shape asks of a hypervisor driver."""
        named = {name for name in ("topology", "quota", "shares", "pin") if getattr(self, name) is not None}
        return frozenset(named | ({"live"} if self.reshape == "live" else set()))
