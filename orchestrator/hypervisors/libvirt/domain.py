"""One guest's calls to libvirt, each with a name for messages and a limit in time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import libvirt

from orchestrator.engine.ports import Clock
from orchestrator.errors import StageError
from orchestrator.hypervisors.libvirt.connection import ANSWER_WITHIN_S, Connection
from orchestrator.hypervisors.libvirt.facts import parse
from orchestrator.hypervisors.libvirt.faults import code_of
from orchestrator.hypervisors.libvirt.standing import Standing
from orchestrator.units import Seconds

T = TypeVar("T")

#: Starting may mean to fill gigabytes of huge pages first; switching off hard, to wait for a process to write back.
_SLOW_WITHIN_S: Seconds = 120.0
#: Statistics are asked for without waiting for other jobs of the guest.
_STATISTICS_WITHIN_S: Seconds = 10.0
_SAVED_FLAGS = libvirt.VIR_DOMAIN_XML_INACTIVE | libvirt.VIR_DOMAIN_XML_SECURE
_AGENT_PORT = "org.qemu.guest_agent.0"
#: Connections to hypervisors without a feature say so by one of these.
_NOT_THERE = frozenset({libvirt.VIR_ERR_NO_SUPPORT, libvirt.VIR_ERR_OPERATION_UNSUPPORTED})


class Domain:
    """A domain by its name. Errors are StageErrors, translated."""

    def __init__(self, connection: Connection, name: str) -> None:
        self.connection, self.name = connection, name

    # ------------------------------------------------------------------------------------------------ the definition

    def saved_xml(self) -> str:
        """The persistent definition with everything in it, the same bytes whether the guest is on or off."""
        return self._ask("read the definition of", lambda domain: str(domain.XMLDesc(_SAVED_FLAGS)))

    def running_xml(self) -> str:
        """The definition of the running guest."""
        return self._ask("read the running definition of", lambda domain: str(domain.XMLDesc(0)))

    def define(self, xml: str) -> None:
        """Exchange the persistent definition."""
        self.connection.call(f"define {self.name}", lambda opened: opened.defineXML(xml), _SLOW_WITHIN_S)

    def is_persistent(self) -> bool:
        """Whether it has a definition that outlives its power-off."""
        return self._ask("look at", lambda domain: bool(domain.isPersistent()))

    def has_saved_state(self) -> bool:
        """Whether its next start would go on with memory that was saved, and with the shape of that time."""
        return self._or_not("look for a saved state of", lambda domain: bool(domain.hasManagedSaveImage()), False)

    # -------------------------------------------------------------------------------------------------------- power

    def standing(self) -> Standing:
        """State and reason."""
        state, reason = self._ask("ask for the state of", lambda domain: domain.state())
        return Standing(state, reason)

    def start(self) -> None:
        """Power on."""
        self._ask("start", lambda domain: domain.create(), _SLOW_WITHIN_S)

    def has_agent(self) -> bool:
        """Whether an agent inside the running guest is connected."""
        ports = parse(self.running_xml()).findall("devices/channel/target")
        return any(port.get("name") == _AGENT_PORT and port.get("state") == "connected" for port in ports)

    def ask_to_shut_down(self, *, by_agent: bool, within_s: Seconds = ANSWER_WITHIN_S) -> None:
        """Ask the system inside to shut down: its agent, or as by its power button."""
        flags = libvirt.VIR_DOMAIN_SHUTDOWN_GUEST_AGENT if by_agent else libvirt.VIR_DOMAIN_SHUTDOWN_ACPI_POWER_BTN
        limit_s = max(min(within_s, ANSWER_WITHIN_S), 1.0)
        try:
            self._ask("shut down", lambda domain: domain.shutdownFlags(flags), limit_s)
        except StageError as error:
            if by_agent or code_of(error) != libvirt.VIR_ERR_INVALID_ARG:
                raise
            # A hypervisor without a power button of this kind shuts down in the way that it has.
            self._ask("shut down", lambda domain: domain.shutdown(), limit_s)

    def pull_the_plug(self) -> None:
        """Switch off hard; it is off when this returns."""
        try:
            self._ask("switch off", lambda domain: domain.destroy(), _SLOW_WITHIN_S)
        except StageError:
            if not self.standing().is_off:
                raise

    # -------------------------------------------------------------------------------------------------------- vCPUs

    def plugged_vcpus(self) -> int:
        """How many vCPUs the running guest has now."""
        return self._ask("count the vCPUs of", lambda domain: int(domain.vcpusFlags(libvirt.VIR_DOMAIN_VCPU_LIVE)))

    def most_vcpus(self) -> int:
        """How many vCPUs the running guest can have."""
        flags = libvirt.VIR_DOMAIN_VCPU_LIVE | libvirt.VIR_DOMAIN_VCPU_MAXIMUM
        return self._ask("count the vCPUs of", lambda domain: int(domain.vcpusFlags(flags)))

    def plug_vcpus(self, vcpus: int) -> None:
        """Give the running guest so many vCPUs."""
        asked = f"plug {vcpus} vCPUs into"
        self._ask(asked, lambda domain: domain.setVcpusFlags(vcpus, libvirt.VIR_DOMAIN_VCPU_LIVE))

    def statistics(self, clock: Clock) -> tuple[Mapping[str, object], Seconds, Seconds]:
        """State and vCPU statistics, with the controller's monotonic time just before and just after."""

        def read(opened: Any) -> tuple[Mapping[str, object], Seconds, Seconds]:
            domain = opened.lookupByName(self.name)
            wanted = libvirt.VIR_DOMAIN_STATS_STATE | libvirt.VIR_DOMAIN_STATS_VCPU
            sent_s = clock.monotonic()
            rows = opened.domainListGetStats([domain], wanted, libvirt.VIR_CONNECT_GET_ALL_DOMAINS_STATS_NOWAIT)
            back_s = clock.monotonic()
            return (rows[0][1] if rows else {}), sent_s, back_s

        return self.connection.call(f"read the counters of {self.name}", read, _STATISTICS_WITHIN_S)

    # ----------------------------------------------------------------------------------------------------- the calls

    def _ask(self, asked: str, action: Callable[[Any], T], within_s: Seconds = ANSWER_WITHIN_S) -> T:
        return self.connection.call(
            f"{asked} {self.name}", lambda opened: action(opened.lookupByName(self.name)), within_s
        )

    def _or_not(self, asked: str, action: Callable[[Any], T], otherwise: T) -> T:
        try:
            return self._ask(asked, action)
        except StageError as error:
            if code_of(error) not in _NOT_THERE:
                raise
            return otherwise
