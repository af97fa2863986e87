"""A new run."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from platform import python_version
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import heed
from orchestrator.adapters.local_time import NOTHING_ASKED, Asked, Sitting, sitting
from orchestrator.adapters.plan_file import Loaded
from orchestrator.core.design.trials import ORDER_RULE, trials
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import Repeats, RunRecord, planned
from orchestrator.engine.beforehand import look_first, refuse_left_behind, refuse_loginless
from orchestrator.engine.keeping import describe_first
from orchestrator.engine.leased import leased
from orchestrator.engine.ports import Equipment, WorkloadFiles
from orchestrator.errors import InputError, Problem
from orchestrator.units import utc_text
from orchestrator.wiring.drivers import drivers, guests_beside, open_guest, ssh
from orchestrator.wiring.job import Job, Screen, people_of, waited
from orchestrator.wiring.leasing import leases_of
from orchestrator.wiring.views import folder_store

if TYPE_CHECKING:
    from orchestrator.adapters.notify import People

_VERSIONS_OF = (
    "trialbed",
    "numpy",
    "scipy",
    "pandas",
    "pyarrow",
    "paramiko",
    "pydantic",
    "PyYAML",
    "tenacity",
    "libvirt-python",
)


@dataclass(frozen=True)
class Original:
    """What a run repeats: the workloads' files as that run sent them, and where it came from."""

    loads: Mapping[str, WorkloadFiles]
    repeats: Repeats


def run_new(
    loaded: Loaded, store: str, screen: Screen, asked: Asked = NOTHING_ASKED, original: Original | None = None
) -> str:
    """Begin a run, at the time that is asked for, and see it through; returns its id."""
    people = people_of(loaded)
    with people.told_of_refusals(screen.say):
        return _run_new(loaded, store, screen, asked, people, original=original)


def _run_new(  # noqa: PLR0913 - as run_new, and whom to tell
    loaded: Loaded, store: str, screen: Screen, asked: Asked, people: People, *, original: Original | None
) -> str:
    from orchestrator.adapters.workload_files import collect
    from orchestrator.engine.run_plan import refuse_unmarked

    refuse_unmarked(loaded.plan, loaded.lab)
    loads = collect(loaded.plan, loaded.plan_path.parent) if original is None else original.loads
    inputs = inputs_of(loaded, loads)
    # All that can be refused is, before there is a run in the store, which "last" would mean.
    kept, driver, equipment = folder_store(store), drivers()[loaded.driver], open_guest(loaded)
    refuse_left_behind(loaded.plan, loaded.lab, driver, kept)
    refuse_loginless(loaded.plan, loaded.lab, driver, equipment.connector or ssh())
    times = _times(loaded, asked, equipment)
    if times.begins is not None:
        with guests_beside(loaded) as neighbours:
            look_first(loaded.plan, equipment.hypervisor, neighbours)
        equipment = waited(loaded, equipment, times.begins, screen)
        refuse_left_behind(loaded.plan, loaded.lab, driver, kept)
        refuse_loginless(loaded.plan, loaded.lab, driver, equipment.connector or ssh())
    now = utc_text((equipment.clock or SystemClock()).now())
    leases = leases_of(loaded)
    heed()
    record = record_of(loaded, inputs, describe_first(equipment.hypervisor, loaded.plan.guest).kind, now)
    if original is not None:
        record = record.model_copy(update={"repeats": original.repeats})
    with ExitStack() as stack:
        # Before the leases: whoever finds one whose holder was killed finds its run as well, and can go on with that.
        writer = kept.create(record, inputs)
        try:
            writer.append(Event(time_utc=now, event="leases-wanted"))
            notices = stack.enter_context(leased(loaded.plan, leases, writer.id, screen.say))
            with guests_beside(loaded) as neighbours:  # after them: a guest that another run has in hand is that run's
                look_first(loaded.plan, equipment.hypervisor, neighbours)
        except BaseException:
            stack.close()
            writer.withdraw()
            raise
        told = [*notices, *times.notes]
        job = Job(loaded, loads, equipment, screen, leases, told, people, times.limit)
        return job.go(writer, ())


def _times(loaded: Loaded, asked: Asked, equipment: Equipment) -> Sitting:
    """When a new run begins and ends; refused where not even one trial would fit."""
    from orchestrator.core.design.time_limit import too_short

    now_s = (equipment.clock or SystemClock()).now()
    times = sitting(asked, loaded.plan.start, now_s)
    seconds = times.seconds(now_s)
    if seconds is not None and (why := too_short(loaded.plan, drivers()[loaded.driver].switch, seconds)) is not None:
        raise InputError([Problem("the time that the run is given", "", why)])
    return times


def inputs_of(loaded: Loaded, loads: Mapping[str, WorkloadFiles]) -> dict[str, bytes]:
    """What a run keeps of what it was given, byte for byte: plan, lab and the workloads' files."""
    return {"plan.yaml": loaded.plan_bytes, "lab.yaml": loaded.lab_bytes} | {
        f"{name}/{file}": content for name, load in loads.items() for file, content in load.files.items()
    }


def record_of(loaded: Loaded, inputs: Mapping[str, bytes], kind: str, now: str) -> RunRecord:
    """What is decided before the first trial."""
    plan = loaded.plan
    return RunRecord(
        id="",
        title=plan.title,
        started_utc=now,
        guest=plan.guest,
        guest_kind=kind,
        hypervisor=loaded.driver,
        order_rule=ORDER_RULE,
        seed=plan.design.seed,
        plan=plan.model_dump(mode="json"),
        trials=planned(trials(plan)),
        versions={"python": python_version()} | {name: version_of(name) for name in _VERSIONS_OF},
        inputs_sha256={name: hashlib.sha256(content).hexdigest() for name, content in inputs.items()},
    )


def version_of(name: str) -> str:
    """The version of an installed package."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"
