"""The login of the simulated guest keeps those promises of a login that need no real machine."""

from __future__ import annotations

from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.ports import Shell
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.hypervisors.simulated.shell import SimulatedConnector
from orchestrator.hypervisors.simulated.world import SimulatedWorld
from orchestrator.testing.conformance_shell import ShellSubject, check_shell


def test_the_simulated_login_keeps_the_promises_of_a_login() -> None:
    clock = VirtualClock()
    connector = SimulatedConnector(SimulatedWorld(SimulatedSettings(), clock))
    access = SshAccess(address="guest.simulated.example", user="bench")

    def login() -> Shell:
        return connector.connect(access, machine="guest", timeout_s=5)

    check_shell(ShellSubject(login, clock, features=frozenset(), goes_on=("load", "--threads", "1")))
