"""Guests of a run, put back without going on with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import Interrupts
from orchestrator.adapters.plan_file import load_lab
from orchestrator.core.record.run import StoredRun
from orchestrator.engine.beforehand import insist_on_place
from orchestrator.engine.ports import NoLeases
from orchestrator.errors import StoreError
from orchestrator.wiring.drivers import driver_facts, drivers, ssh
from orchestrator.wiring.leasing import places
from orchestrator.wiring.views import folder_store

if TYPE_CHECKING:
    from orchestrator.core.design.lab import Lab
    from orchestrator.engine.differences import Comparison
    from orchestrator.engine.restoring import PutBack, Restoration


@contextmanager
def _restoration(run: str, store: str, lab: Path | None) -> Iterator[tuple[StoredRun, Restoration, Lab]]:
    """A stored run with the drivers of its guests, in its own lab or another."""
    from orchestrator.engine.restoring import Restoration, in_order

    kept = folder_store(store)
    stored = kept.find(run)
    if stored.record.origin == "imported":
        raise StoreError(f"run {stored.record.id} was imported: it touched no guest, so none is to be put back")
    read = load_lab(lab or Path(stored.location) / "lab.yaml", driver_facts())
    with ExitStack() as stack:
        bound = {}
        for guest in in_order(kept.guests(stored), stored.record.guest):
            insist_on_place(guest, read, drivers())
            driver = drivers()[read.host_of(guest).hypervisor]
            bound[guest] = driver.open(guest, read, SystemClock(), ssh()).hypervisor
            stack.callback(bound[guest].close)
        yield stored, Restoration(kept, stored, bound), read


def check_restored(run: str, store: str, lab: Path | None) -> tuple[StoredRun, list[Comparison]]:
    """Compare the guests of a run with how they were; nothing is touched."""
    with _restoration(run, store, lab) as (stored, restoration, _lab):
        return stored, restoration.check()


def restore_run(run: str, store: str, lab: Path | None, say: Callable[[str], None]) -> tuple[StoredRun, list[PutBack]]:
    """Put the guests of a run back. An interrupt is answered with words."""
    from orchestrator.adapters.leases import HostLeases, wanted_for

    with _restoration(run, store, lab) as (stored, restoration, read), Interrupts(say) as stop:
        stop.hold_off()
        guests = [*reversed(restoration.guests)]
        place = places().of(read, read.guests[guests[0]].host) if guests else None
        leases = NoLeases() if place is None else HostLeases(place, wanted_for(guests, read), SystemClock())
        share_host = stored.record.plan.get("share_host") is True
        done = restoration.put_back(
            leases, title=stored.record.title, share_host=share_host, clock=SystemClock(), say=say
        )
        return stored, done
