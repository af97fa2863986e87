"""The fingerprint of a run: host, guest, and how the hypervisor defines the guest; with why a fact is not there."""

from __future__ import annotations

from collections.abc import Mapping

from orchestrator.core.record.facts import HYPERVISOR_FACTS, MACHINE_FACTS, untold
from orchestrator.core.record.run import Environment
from orchestrator.engine.bench import Bench
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.news import Notice
from orchestrator.engine.ports import SavedGuest, Shell
from orchestrator.errors import StageError

_Facts = Mapping[str, str | None]


def fingerprint(bench: Bench, host: HostWatch, guest: Shell, root: str, saved: SavedGuest) -> Environment:
    """Ask host, guest and driver. What the host or the driver cannot tell costs no trial; a guest that is lost does.

    Args:
        bench: the world.
        host: with the login on the host, if there is one.
        guest: a login in the running guest.
        root: prefix of its ``/proc``.
        saved: the guest as it was before the run.
    """
    of_host, no_host = host.fingerprint()
    of_guest = bench.fingerprint(guest, root)
    of_hypervisor, no_hypervisor = _told_by_driver(bench, saved)
    return Environment(
        host={key: of_host.get(key) for key in MACHINE_FACTS},
        guest={key: of_guest.get(key) for key in MACHINE_FACTS},
        hypervisor={key: of_hypervisor.get(key) for key in HYPERVISOR_FACTS},
        unavailable={
            "host": untold("host", of_host, no_host),
            "guest": untold("guest", of_guest),
            "hypervisor": untold("hypervisor", of_hypervisor, no_hypervisor),
        },
    )


def _told_by_driver(bench: Bench, saved: SavedGuest) -> tuple[_Facts, str]:
    try:
        return bench.hypervisor.facts(saved), ""
    except StageError as error:
        bench.reporter.tell(Notice(f"how the guest is defined is not kept: {error}"))
        return {}, str(error)
