"""What a lab means by ``hypervisor: command``."""

from __future__ import annotations

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.lab import Host, Lab, SshAccess
from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.shape import FEATURES
from orchestrator.engine.ports import Clock, Connector, Equipment, LeftBehind
from orchestrator.errors import InputError, Problem
from orchestrator.hypervisors.command.hypervisor import CommandHypervisor, Site
from orchestrator.hypervisors.command.machines import Controller, LoggedIn, Machine
from orchestrator.hypervisors.command.settings import CommandSettings


class CommandDriver:
    """A :class:`~orchestrator.engine.ports.Driver` that asks and changes guests by commands of the lab's."""

    name = "command"
    settings = CommandSettings
    #: What there could be arguments for; ``CommandSettings.shape_features`` says what a lab has arguments for.
    features = FEATURES
    needs: frozenset[str] = frozenset({"ssh"})
    host_login: HostLogin = "lab"
    #: As a virtual machine's, which they usually are.
    switch = Switch(10.0, 180.0)
    left_behind: LeftBehind = "unmarked"

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:
        """Bind to a guest; no command is run yet.

        Raises:
            InputError: the guest has no ``ssh``, or the host has none and its commands run there.
        """
        declared, host = lab.guests[guest], lab.host_of(guest)
        settings = CommandSettings.model_validate(host.with_)
        access = _insist(declared.ssh, f"guests.{guest}.ssh", "the guest's login, for the load inside it")
        machine = _machine(settings, declared.host, host, clock, connector)
        site = Site(declared.domain or guest, access, host.ssh, declared.force_off)
        return Equipment(CommandHypervisor(settings, site, machine, clock))


def _machine(settings: CommandSettings, name: str, host: Host, clock: Clock, connector: Connector) -> Machine:
    if settings.run_on == "controller":
        return Controller(settings.folder, clock)
    access = _insist(host.ssh, f"hosts.{name}.ssh", "the host's login, since run-on: host has the commands run there")
    return LoggedIn(access, settings.folder, connector, clock)


def _insist(access: SshAccess | None, field: str, meaning: str) -> SshAccess:
    if access is None:
        raise InputError([Problem("lab", field, f"is missing; write {meaning}")])
    return access
