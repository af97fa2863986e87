"""What a lab means by ``hypervisor: here``."""

from __future__ import annotations

from orchestrator.core.design.declared import Declared
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.schedule import Switch
from orchestrator.engine.ports import Clock, Equipment
from orchestrator.hypervisors.here.hypervisor import FEATURES, HereHypervisor


class HereSettings(Declared):
    """A lab sets nothing for process guests: any key is refused."""


class HereDriver:
    """A :class:`~orchestrator.engine.ports.Driver` whose guests are processes of this machine, measured for real."""

    name = "here"
    settings = HereSettings
    features = FEATURES
    switch = Switch(0.5, 15.0)

    def open(self, guest: str, lab: Lab, clock: Clock) -> Equipment:  # noqa: ARG002 - nothing of the lab matters here
        """Bind to a guest; its processes start with its first power-on."""
        return Equipment(HereHypervisor(guest, clock))
