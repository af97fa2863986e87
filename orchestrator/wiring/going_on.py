"""A run that goes on."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import heed
from orchestrator.adapters.local_time import NOTHING_ASKED, Asked, Sitting, sitting
from orchestrator.adapters.plan_file import Loaded, load_lab, load_texts
from orchestrator.core.design.launching import launch
from orchestrator.core.design.trials import Trial, trials
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine import changes
from orchestrator.engine.beforehand import refuse_loginless
from orchestrator.engine.leased import leased
from orchestrator.engine.ports import Equipment, RunWriter
from orchestrator.errors import StoreError
from orchestrator.units import utc_text
from orchestrator.wiring.beginning import version_of
from orchestrator.wiring.drivers import driver_facts, drivers, guests_beside, open_guest, ssh
from orchestrator.wiring.job import Job, Screen, people_of, waited
from orchestrator.wiring.leasing import leases_of
from orchestrator.wiring.views import folder_store

if TYPE_CHECKING:
    from orchestrator.adapters.notify import People
    from orchestrator.adapters.store.folder import FolderStore


def run_again(  # noqa: PLR0913 - an option is an argument
    run: str,
    store: str,
    screen: Screen,
    lab: Path | None = None,
    *,
    accept: bool = False,
    asked: Asked = NOTHING_ASKED,
) -> str:
    """Go on with an unfinished run, in its own lab or another, if nothing has changed or that is accepted.

    Returns:
        The run's id, or its folder where that was given.
    """
    times, kept = sitting(asked, None, SystemClock().now()), folder_store(store)
    again = _read_again(kept, run, lab)
    people = people_of(again.loaded)
    name = again.stored.record.id
    with people.told_of_refusals(screen.say, name, f"trialbed status {name} --store {shlex.quote(str(kept.root))}"):
        _go_on(again, screen, people, times, accept=accept)
    return run if "/" in run else name


@dataclass(frozen=True)
class _Again:
    """A run that is to go on: as it is stored, as it is read now, and what of it is not as it was.

    Attributes:
        lab_is_other: whether it is to go on in another lab than its own.
    """

    stored: StoredRun
    writer: RunWriter
    inputs: Mapping[str, bytes]
    knew: changes.Kept
    loaded: Loaded
    found: list[changes.Change]
    lab_is_other: bool
    version: str


def _read_again(kept: FolderStore, run: str, lab: Path | None) -> _Again:
    """Open a run, and refuse at once what can never be gone on with."""
    altered = kept.altered(run)  # before it is opened to be written to, which breaks the seal
    stored, writer, inputs = kept.reopen(run)
    if stored.record.origin == "imported":
        raise StoreError(f"run {stored.record.id} was imported and cut short meanwhile: delete it, and import it again")
    _refuse_from_bundle(kept, stored)
    record, knew = stored.record, changes.kept_of(stored.record, kept.journal(stored))
    found = [
        *changes.file_changes(knew, inputs, other_lab=lab is not None),
        *changes.record_changes(altered, stored.lost),
    ]
    changes.refuse([change for change in found if not change.acceptable], record.id, accepted=False)
    if lab is not None:
        load_lab(lab, driver_facts())  # which tells best what is wrong with it
    lab_bytes = inputs[changes.LAB] if lab is None else lab.read_bytes()
    names = (changes.PLAN, str(lab or changes.LAB))
    loaded = load_texts(inputs[changes.PLAN], lab_bytes, driver_facts(), names=names)
    edited = any(change.what == changes.PLAN for change in found)
    found += changes.plan_changes(record, loaded.plan, edited=edited)
    if lab is not None and changes.LAB in inputs:
        own = load_texts(inputs[changes.PLAN], inputs[changes.LAB], driver_facts())
        found += changes.lab_changes(own.lab, loaded.lab)
    version = version_of("trialbed")
    found += changes.version_changes(knew, version)
    changes.refuse([change for change in found if not change.acceptable], record.id, accepted=False)
    return _Again(stored, writer, inputs, knew, loaded, found, lab is not None, version)


def _refuse_from_bundle(kept: FolderStore, stored: StoredRun) -> None:
    """A bundle leaves out how the guests were before; what goes on without it is on other machines than it began on."""
    if kept.guests(stored) or all(event.event != "guest-saved" for event in kept.journal(stored)):
        return
    raise StoreError(
        f"run {stored.record.id} lacks how its guests were before it, as one from a bundle does; going on would mix "
        "two labs in one run: measure it on yours instead, with: trialbed repeat BUNDLE.zip --lab YOUR-LAB.yaml"
    )


def _go_on(again: _Again, screen: Screen, people: People, times: Sitting, *, accept: bool) -> None:
    """Wait for the time, take the leases, look at the guests, and run what is left."""
    from orchestrator.adapters.workload_files import from_inputs

    loaded, run, writer, found = again.loaded, again.stored.record.id, again.writer, again.found
    equipment, driver = open_guest(loaded), drivers()[loaded.driver]
    refuse_loginless(loaded.plan, loaded.lab, driver, equipment.connector or ssh())
    _skip_done(equipment, trials(loaded.plan), {trial.id: trial for trial in again.stored.trials})
    if times.begins is not None:
        changes.refuse(found, run, accepted=accept)  # nobody is to wait for a refusal
        equipment = waited(loaded, equipment, times.begins, screen)
    leases = leases_of(loaded)
    heed()
    now = utc_text((equipment.clock or SystemClock()).now())
    with leased(loaded.plan, leases, again.stored.began_as or run, screen.say, away=again.knew.away) as notices:
        with guests_beside(loaded) as neighbours:
            bound = {loaded.plan.guest: equipment.hypervisor, **neighbours}
            saved = {guest: (kept_guest, bound[guest]) for guest in bound if (kept_guest := writer.saved_guest(guest))}
            more, newer = changes.guest_changes(saved, driver.left_behind, again.knew)
            found += more
            changes.refuse(found, run, accepted=accept)
        other = loaded.lab_bytes if again.lab_is_other and found else None
        changes.accept(writer, found, changes.Newer(newer, again.inputs, other, again.version), now)
        loads = from_inputs(loaded.plan, again.inputs)
        told = [*notices, *times.notes]
        job = Job(loaded, loads, equipment, screen, leases, told, people, times.limit)
        job.go(writer, again.stored.trials)


def _skip_done(equipment: Equipment, ordered: Sequence[Trial], done: Mapping[str, TrialRecord]) -> None:
    """Let a model of a guest go on where it was."""
    if equipment.skip is None:
        return
    for trial in ordered:
        if (record := done.get(trial.id)) is not None:
            launched = record.launched_monotonic_s is not None
            equipment.skip(trial.cell.shape.name, launch(trial.cell).command if launched else None)
