"""What reads a machine's counters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports.shells import Shell


class Sampler(Protocol):
    """Reads a machine's counters over one long-lived channel. Errors as for Shell; silence is an error too."""

    method: str
    """``python`` or ``shell``."""

    def sample(self) -> Sample:
        """One reading now."""

    def exchange(self) -> Exchange:
        """One exchange of four timestamps."""

    def close(self) -> None:
        """End the program on the other machine and wait for its exit status; safe to call twice."""


class SamplerFactory(Protocol):
    """Starts samplers."""

    def open(self, shell: Shell, *, machine: str, root: str = "", threads: Sequence[str] = ()) -> Sampler:
        """Start a sampler: the Python program where there is Python 3, else the shell loop.

        Args:
            shell: a login on the machine.
            machine: ``host`` or ``guest``.
            root: prefix of ``/proc`` and ``/sys``.
            threads: schedstat files to read as ``thread.ID.*``, as paths ``/proc/PID/task/TID/schedstat`` (ID = TID).
        """
