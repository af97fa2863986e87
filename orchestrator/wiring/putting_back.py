"""Guests of a run, put back without going on with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import Interrupts
from orchestrator.adapters.plan_file import load_lab
from orchestrator.core.record.run import StoredRun
from orchestrator.engine import changes
from orchestrator.engine.beforehand import insist_on_place
from orchestrator.engine.ports import NoLeases
from orchestrator.errors import StoreError
from orchestrator.wiring.drivers import driver_facts, drivers, ssh
from orchestrator.wiring.leasing import places
from orchestrator.wiring.views import folder_store

if TYPE_CHECKING:
    from orchestrator.adapters.store.folder import FolderStore
    from orchestrator.core.design.lab import Lab
    from orchestrator.engine.differences import Comparison
    from orchestrator.engine.restoring import PutBack, Restoration

Say = Callable[[str], None]


@contextmanager
def _restoration(run: str, store: str, lab: Path | None, say: Say) -> Iterator[tuple[StoredRun, Restoration, Lab]]:
    """A stored run with the drivers of its guests, in its own lab or another."""
    from orchestrator.engine.restoring import Restoration, in_order

    kept = folder_store(store)
    stored = kept.find(run)
    if stored.record.origin == "imported":
        raise StoreError(f"run {stored.record.id} was imported: it touched no guest, so none is to be put back")
    for told in _lab_changes(kept, stored) if lab is None else ():
        say(f"{told}; guests are looked for where it says now")
    read = load_lab(lab or Path(stored.location) / "lab.yaml", driver_facts())
    with ExitStack() as stack:
        bound = {}
        for guest in in_order(kept.guests(stored), stored.record.guest):
            insist_on_place(guest, read, drivers())
            driver = drivers()[read.host_of(guest).hypervisor]
            bound[guest] = driver.open(guest, read, SystemClock(), ssh()).hypervisor
            stack.callback(bound[guest].close)
        yield stored, Restoration(kept, stored, bound), read


def _lab_changes(kept: FolderStore, stored: StoredRun) -> list[str]:
    """Whether the run's lab is another file than the run was made with, in a sentence."""
    with suppress(StoreError):  # guests come first: what else is damaged keeps none from coming back
        knew = changes.kept_of(stored.record, kept.journal(stored))
        found = changes.file_changes(knew, kept.inputs(stored), other_lab=True)
        return [change.sentence for change in found if change.what == changes.LAB]
    return []


def check_restored(run: str, store: str, lab: Path | None, say: Say) -> tuple[StoredRun, list[Comparison]]:
    """Compare the guests of a run with how they were; nothing is touched."""
    with _restoration(run, store, lab, say) as (stored, restoration, _lab):
        return stored, restoration.check()


def restore_run(run: str, store: str, lab: Path | None, say: Say) -> tuple[StoredRun, list[PutBack]]:
    """Put the guests of a run back. An interrupt is answered with words."""
    from orchestrator.adapters.leases import HostLeases, wanted_for

    with _restoration(run, store, lab, say) as (stored, restoration, read), Interrupts(say) as stop:
        stop.hold_off()
        guests = [*reversed(restoration.guests)]
        place = places().of(read, read.guests[guests[0]].host) if guests else None
        leases = NoLeases() if place is None else HostLeases(place, wanted_for(guests, read), SystemClock())
        share_host = stored.record.declared.share_host
        done = restoration.put_back(
            leases, title=stored.record.title, share_host=share_host, clock=SystemClock(), say=say
        )
        return stored, done
