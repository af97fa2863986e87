"""A workload's files and output."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.samples import Reading
from orchestrator.engine.ports.shells import Line


@dataclass(frozen=True)
class WorkloadFiles:
    """Files of a workload as they will be sent.

    Attributes:
        files: name to content.
        sha256: name to digest.
    """

    files: Mapping[str, bytes]
    sha256: Mapping[str, str]


class OutputParser(Protocol):
    """Reads throughput from a workload's lines. Nothing that a guest prints makes it raise."""

    def feed(self, lines: Sequence[Line]) -> int:
        """Take lines in; returns how many of them held a figure."""

    def readings(self, before: Offset | None, after: Offset | None = None) -> list[Reading]:
        """All readings so far in controller time, by the guest's clock where lines carry it and an offset is known."""

    def problems(self) -> list[str]:
        """What was found in the output that a person should know, in words."""
