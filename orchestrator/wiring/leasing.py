"""Where leases are kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import heed
from orchestrator.adapters.plan_file import Loaded, load_lab
from orchestrator.engine.ports import Leases, NoLeases
from orchestrator.wiring.drivers import driver_facts, drivers, ssh

if TYPE_CHECKING:
    from orchestrator.adapters.leases import Board, Places


def places() -> Places:
    """Where the hosts of a lab keep their leases."""
    from orchestrator.adapters.leases import Places
    from orchestrator.adapters.local_shell import LocalShell

    logins = {name: driver.host_login for name, driver in drivers().items()}
    return Places(logins, ssh(), lambda: LocalShell(SystemClock(), Path("/")))


def leases_of(loaded: Loaded) -> Leases:
    """The leases that a run of a plan needs; none where every run has a host of its own."""
    from orchestrator.adapters.leases import HostLeases, wanted_of

    plan, lab = loaded.plan, loaded.lab
    place = places().of(lab, lab.guests[plan.guest].host)
    return NoLeases() if place is None else HostLeases(place, wanted_of(plan, lab), SystemClock())


def lease_boards(lab: Path) -> dict[str, Board | None]:
    """The leases of each host of a lab; ``None`` for a host that is a model."""
    from orchestrator.adapters.leases import Board

    heed()
    read, there = load_lab(lab, driver_facts()), places()
    return {name: Board(place, SystemClock()) if (place := there.of(read, name)) else None for name in read.hosts}
