"""What a lab means by ``hypervisor: simulated``."""

from __future__ import annotations

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.schedule import USUAL_SWITCH
from orchestrator.engine.ports import Clock, Connector, Equipment, LeftBehind
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.hypervisors.simulated.hypervisor import FEATURES, SimulatedHypervisor
from orchestrator.hypervisors.simulated.sampler import SimulatedSamplerFactory
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.hypervisors.simulated.shell import SimulatedConnector
from orchestrator.hypervisors.simulated.world import SimulatedWorld


class SimulatedDriver:
    """A :class:`~orchestrator.engine.ports.Driver` whose guests exist in a model only, in time that jumps."""

    name = "simulated"
    settings = SimulatedSettings
    features = FEATURES
    needs: frozenset[str] = frozenset()
    host_login: HostLogin = "none"
    switch = USUAL_SWITCH
    left_behind: LeftBehind = "nothing"

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:  # noqa: ARG002 - its logins are its own
        """Build the simulation of one guest.

        Args:
            guest: name of the guest in the lab.
            lab: its host's ``with:`` are the settings, valid by :class:`SimulatedSettings`.
            clock: gives the date at which virtual time begins.
            connector: not used.
        """
        settings = SimulatedSettings.model_validate(lab.host_of(guest).with_)
        virtual = VirtualClock(start_utc_s=clock.now())
        world = SimulatedWorld(settings, virtual, force_off=lab.guests[guest].force_off)
        return Equipment(
            SimulatedHypervisor(world), virtual, SimulatedConnector(world), SimulatedSamplerFactory(world), world.skip
        )
