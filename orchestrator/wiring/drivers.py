"""The drivers, and what they bind to guests."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import cache
from importlib.metadata import EntryPoint, entry_points

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.plan_file import DriverFacts, Loaded
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Clock, Connector, Driver, Equipment, Hypervisor
from orchestrator.errors import InputError, Problem

DRIVER_GROUP = "trialbed.hypervisors"
_BUILT_IN = {
    "command": "orchestrator.hypervisors.command.driver:CommandDriver",
    "here": "orchestrator.hypervisors.here.driver:HereDriver",
    "libvirt": "orchestrator.hypervisors.libvirt.driver:LibvirtDriver",
    "simulated": "orchestrator.hypervisors.simulated.driver:SimulatedDriver",
}


@cache
def drivers() -> Mapping[str, Driver]:
    """Every driver by name: the built-in ones, then those that installed packages register."""
    found: dict[str, Driver] = {}
    for name, place in _BUILT_IN.items():
        module, _, attribute = place.partition(":")
        found[name] = getattr(importlib.import_module(module), attribute)()
    for entry in entry_points(group=DRIVER_GROUP):
        if entry.name not in found:
            found[entry.name] = _registered(entry)
    return found


def _registered(entry: EntryPoint) -> Driver:
    """The driver of somebody else's package. Raises InputError where that cannot be had: it is no defect of ours."""
    try:
        driver: Driver = entry.load()()
    except Exception as error:  # a package of that name may do anything
        package = "an installed package" if entry.dist is None else f"the installed package {entry.dist.name}"
        reason = printable(f"{type(error).__name__}: {error}")
        message = f"{package} registers it, and it does not load ({reason}); mend that package, or uninstall it"
        raise InputError([Problem(f"hypervisor driver {printable(entry.name)}", "", message)]) from error
    return driver


def driver_facts() -> dict[str, DriverFacts]:
    """What plans and labs are checked against."""
    return {
        name: DriverFacts(driver.settings, driver.features, driver.needs, driver.host_login)
        for name, driver in drivers().items()
    }


def open_guest(loaded: Loaded, guest: str | None = None) -> Equipment:
    """The driver bound to the plan's guest, or to another one on the same host."""
    return drivers()[loaded.driver].open(guest or loaded.plan.guest, loaded.lab, SystemClock(), ssh())


@contextmanager
def guests_beside(loaded: Loaded) -> Iterator[Mapping[str, Hypervisor]]:
    """The drivers bound to the guests that carry a plan's neighbours, for a look at them."""
    with ExitStack() as stack:
        bound = {guest: open_guest(loaded, guest).hypervisor for guest in guests_of(loaded.plan.neighbours)}
        for hypervisor in bound.values():
            stack.callback(hypervisor.close)
        yield bound


def ssh(clock: Clock | None = None) -> Connector:
    """Logins over SSH."""
    from orchestrator.adapters.ssh import SshConnector

    return SshConnector(clock or SystemClock())
