"""Where the leases of a lab's hosts are kept, and which of them a run needs."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlsplit

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.engine.ports import Connector, Shell
from orchestrator.units import Seconds

DEFAULT_FOLDER = "/var/tmp/trialbed-leases"  # noqa: S108 - shared by everybody on purpose, and kept over a reboot
FOLDER_VARIABLE = "TRIALBED_LEASES"
_LOG_IN_WITHIN_S: Seconds = 20.0
_LONGEST_NAME = 120
_LOCAL_NAMES = frozenset({"", "localhost", "127.0.0.1", "::1"})


@dataclass(frozen=True)
class Place:
    """Where a host's leases are.

    Attributes:
        host: the host by its name in the lab.
        folder: of the leases, on the machine that ``log_in`` logs in to.
        log_in: opens a login there.
        remark: from whom these leases do not protect; empty where they are on the host itself.
    """

    host: str
    folder: str
    log_in: Callable[[], Shell]
    remark: str = ""


@dataclass(frozen=True)
class Wanted:
    """Whom a run needs for itself.

    Attributes:
        guest: the measured guest, by its name in the lab.
        names: of the leases on guests.
    """

    guest: str
    names: tuple[str, ...]


def wanted_of(plan: Plan, lab: Lab) -> Wanted:
    """The leases on guests that a run of a plan needs: on the measured one, and on those that carry its neighbours."""
    return wanted_for((plan.guest, *guests_of(plan.neighbours)), lab)


def wanted_for(guests: Sequence[str], lab: Lab) -> Wanted:
    """The leases on these guests of a lab, of which the first is the measured one."""
    return Wanted(guests[0], tuple(_guest_name(lab, guest) for guest in guests))


@dataclass(frozen=True)
class Places:
    """Where the leases of hosts are kept.

    Attributes:
        host_logins: how each driver's hosts are logged in to, by the driver's name.
        connector: for hosts that a lab gives a login on.
        local: opens a shell on this machine.
    """

    host_logins: Mapping[str, HostLogin]
    connector: Connector
    local: Callable[[], Shell]

    def of(self, lab: Lab, name: str) -> Place | None:
        """Where a host's leases are kept; ``None`` for a host that is a model, which every run has for itself."""
        host = lab.hosts[name]
        login = self.host_logins[host.hypervisor]
        if login == "none":
            return None
        folder = host.leases or os.environ.get(FOLDER_VARIABLE) or DEFAULT_FOLDER
        if login == "own":
            return Place(name, folder, self.local)
        if (access := host.ssh) is not None:
            return Place(name, folder, lambda: self._log_in(access))
        address = name if host.uri is None else urlsplit(host.uri).hostname or ""
        if host.uri is not None and address in _LOCAL_NAMES:
            return Place(name, folder, self.local)
        remark = (
            f"the leases of host {name} are kept on this machine, since the lab gives no ssh there: "
            "runs from other machines are not seen"
        )
        return Place(name, f"{folder}.{_short(_quoted(address))}", self.local, remark)

    def _log_in(self, access: SshAccess) -> Shell:
        return self.connector.connect(access, machine="host", timeout_s=_LOG_IN_WITHIN_S)


def _guest_name(lab: Lab, guest: str) -> str:
    declared = lab.guests[guest]
    driver = quote(lab.host_of(guest).hypervisor, safe="").replace("-", "%2D")
    return _short(f"guest-{driver}-{_quoted(declared.domain or guest)}")


def _quoted(word: str) -> str:
    """A word free of all that a shell or a disk would mind."""
    return quote(word, safe="").replace("~", "%7E")


def _short(name: str) -> str:
    """A name that any disk takes, different for different names."""
    return name if len(name) <= _LONGEST_NAME else f"{name[:60]}-{hashlib.sha256(name.encode()).hexdigest()[:32]}"
