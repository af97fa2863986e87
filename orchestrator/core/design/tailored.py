"""Settings of a hypervisor driver that have a say in what the driver can do, and in what it needs."""

from __future__ import annotations

from typing import Protocol, runtime_checkable


@runtime_checkable
class Tailored(Protocol):
    """The model of a lab host's ``with:`` where it decides more than how; plan and lab are checked by it, then."""

    @property
    def shape_features(self) -> frozenset[str]:
        """Which of the driver's features it has on that host."""

    @property
    def lab_needs(self) -> frozenset[str]:
        """What the lab has to give beside the driver's own needs: ``host ssh``."""
