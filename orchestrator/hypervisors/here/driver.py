"""What a lab means by ``hypervisor: here``."""

from __future__ import annotations

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.declared import Declared
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.schedule import Switch
from orchestrator.engine.ports import Clock, Connector, Equipment, LeftBehind
from orchestrator.hypervisors.here.hypervisor import FEATURES, HereHypervisor


class HereSettings(Declared):
    """A lab sets nothing for process guests: any key is refused."""


class HereDriver:
    """A :class:`~orchestrator.engine.ports.Driver` whose guests are processes of this machine, measured for real."""

    name = "here"
    settings = HereSettings
    features = FEATURES
    needs: frozenset[str] = frozenset()
    host_login: HostLogin = "own"
    switch = Switch(0.5, 15.0)
    left_behind: LeftBehind = "nothing"

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:  # noqa: ARG002 - all it needs is here
        """Bind to a guest; its processes start with its first power-on."""
        return Equipment(HereHypervisor(guest, clock))
