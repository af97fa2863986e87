"""The composition root: the only module that names concrete adapters and drivers.

Heavy libraries are imported by the functions that need them, so that a command loads no more than it uses.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, entry_points, version
from pathlib import Path
from platform import python_version
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import Interrupts
from orchestrator.adapters.plan_file import DriverFacts, Loaded, load, load_texts
from orchestrator.core.design.launching import launch
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.trials import ORDER_RULE, Trial, trials
from orchestrator.core.record.run import Environment, RunRecord, StoredRun, planned
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.beforehand import look_first, refuse_left_behind, refuse_loginless
from orchestrator.engine.news import Notice
from orchestrator.engine.ports import (
    Clock,
    Connector,
    Driver,
    Equipment,
    Reporter,
    RunWriter,
    StopRequest,
    TrialData,
    WorkloadFiles,
)
from orchestrator.errors import StoreError
from orchestrator.units import utc_text

if TYPE_CHECKING:
    from rich.console import Console

    from orchestrator.adapters.store.folder import FolderStore
    from orchestrator.core.measure.method import Step
    from orchestrator.core.verdict.minutes import TimeUse
    from orchestrator.core.verdict.verdict import Verdict
    from orchestrator.engine.bench import Bench
    from orchestrator.engine.check_plan import Forecast
    from orchestrator.engine.probe import Readiness
    from orchestrator.sandbox.settings import Say, Settings
    from orchestrator.sandbox.status import Status

DRIVER_GROUP = "trialbed.hypervisors"
_BUILT_IN = {
    "command": "orchestrator.hypervisors.command.driver:CommandDriver",
    "here": "orchestrator.hypervisors.here.driver:HereDriver",
    "libvirt": "orchestrator.hypervisors.libvirt.driver:LibvirtDriver",
    "simulated": "orchestrator.hypervisors.simulated.driver:SimulatedDriver",
}
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


# ------------------------------------------------------------------------------------------------ drivers and plans


@cache
def drivers() -> Mapping[str, Driver]:
    """Every driver by name: the built-in ones, then those that installed packages register."""
    found: dict[str, Driver] = {}
    for name, place in _BUILT_IN.items():
        module, _, attribute = place.partition(":")
        found[name] = getattr(importlib.import_module(module), attribute)()
    for entry in entry_points(group=DRIVER_GROUP):
        if entry.name not in found:
            found[entry.name] = entry.load()()
    return found


def _facts() -> dict[str, DriverFacts]:
    return {
        name: DriverFacts(driver.settings, driver.features, driver.needs, driver.host_login)
        for name, driver in drivers().items()
    }


def load_plan(plan: Path, lab: Path | None) -> Loaded:
    """Plan and lab from their files, checked against each other."""
    return load(plan, _facts(), lab_path=lab)


def forecast_of(loaded: Loaded) -> Forecast:
    """What a plan would do."""
    from orchestrator.engine.check_plan import forecast

    return forecast(loaded.plan, loaded.lab, drivers()[loaded.driver].switch)


def probe_of(loaded: Loaded) -> list[Readiness]:
    """Readiness of the lab, line by line."""
    from orchestrator.engine.probe import probe
    from orchestrator.engine.run_plan import refuse_unmarked

    refuse_unmarked(loaded.plan, loaded.lab)
    bench = _bench(loaded, _open(loaded), _Silent(), Interrupts(lambda _text: None), {})
    try:
        return probe(loaded.plan, bench)
    finally:
        bench.close()


# ------------------------------------------------------------------------------------------------------- running


class _Silent:
    def tell(self, news: object) -> None:
        """Say nothing."""


@dataclass(frozen=True)
class Screen:
    """Where a run is told of, and how."""

    console: Console
    errors: Console
    per: str
    quiet: bool


@dataclass(frozen=True)
class _Job:
    """A plan with everything it takes to run it."""

    loaded: Loaded
    loads: Mapping[str, WorkloadFiles]
    equipment: Equipment
    screen: Screen

    def go(self, writer: RunWriter, done: Sequence[TrialRecord]) -> str:
        """Run what is not done yet; returns the run's id. An interrupt has been dealt with when this returns."""
        from orchestrator.adapters.report import progress
        from orchestrator.engine.run_plan import Run

        screen = self.screen
        reporter = progress.make(screen.console, screen.errors, SystemClock(), screen.per, quiet=screen.quiet)
        try:
            with Interrupts(lambda text: reporter.tell(Notice(text))) as stop:
                bench = _bench(self.loaded, self.equipment, reporter, stop, self.loads)
                try:
                    Run(self.loaded.plan, self.loaded.lab, bench, writer, done).go()
                except KeyboardInterrupt:
                    pass  # the guest is back and the journal says so; what was measured is shown, and how to go on
                finally:
                    bench.close()
        finally:
            reporter.close()
        return writer.id


def run_new(loaded: Loaded, store: str, screen: Screen) -> str:
    """Begin a run and see it through; returns its id."""
    from orchestrator.adapters.workload_files import collect
    from orchestrator.engine.run_plan import refuse_unmarked

    refuse_unmarked(loaded.plan, loaded.lab)
    loads = collect(loaded.plan, loaded.plan_path.parent)
    inputs = {"plan.yaml": loaded.plan_bytes, "lab.yaml": loaded.lab_bytes} | {
        f"{name}/{file}": content for name, load in loads.items() for file, content in load.files.items()
    }
    # All that can be refused is, before there is a run in the store, which "last" would mean.
    kept, driver, equipment = _folder_store(store), drivers()[loaded.driver], _open(loaded)
    refuse_left_behind(loaded.plan, loaded.lab, driver, kept)
    refuse_loginless(loaded.plan, loaded.lab, driver, equipment.connector or _ssh())
    described = look_first(loaded.plan, equipment.hypervisor)
    now = utc_text((equipment.clock or SystemClock()).now())
    writer = kept.create(_record(loaded, inputs, described.kind, now), inputs)
    return _Job(loaded, loads, equipment, screen).go(writer, ())


def run_again(run: str, store: str, screen: Screen) -> str:
    """Go on with an unfinished run; returns its id."""
    stored, writer, inputs = _folder_store(store).reopen(run)
    loaded = load_texts(inputs["plan.yaml"], inputs["lab.yaml"], _facts(), names=("plan.yaml", "lab.yaml"))
    equipment = _open(loaded)
    done = {trial.id: trial for trial in stored.trials}
    _skip_done(equipment, trials(loaded.plan), done)
    return _Job(loaded, _kept_loads(loaded, inputs), equipment, screen).go(writer, stored.trials)


def _skip_done(equipment: Equipment, ordered: Sequence[Trial], done: Mapping[str, TrialRecord]) -> None:
    """Let a model of a guest go on where it was."""
    if equipment.skip is None:
        return
    for trial in ordered:
        if (record := done.get(trial.id)) is not None:
            launched = record.launched_monotonic_s is not None
            equipment.skip(trial.cell.shape.name, launch(trial.cell).command if launched else None)


def _kept_loads(loaded: Loaded, inputs: Mapping[str, bytes]) -> dict[str, WorkloadFiles]:
    """The workloads' files as the run kept them: a resumed run sends the same bytes."""
    from orchestrator.adapters.workload_files import with_digests

    kept = {}
    for workload in loaded.plan.workloads:
        start = f"{workload.name}/"
        files = {name.removeprefix(start): text for name, text in inputs.items() if name.startswith(start)}
        kept[workload.name] = with_digests(files)
    return kept


def _open(loaded: Loaded, guest: str | None = None) -> Equipment:
    """The driver bound to the plan's guest, or to another one on the same host."""
    return drivers()[loaded.driver].open(guest or loaded.plan.guest, loaded.lab, SystemClock(), _ssh())


def _ssh(clock: Clock | None = None) -> Connector:
    from orchestrator.adapters.ssh import SshConnector

    return SshConnector(clock or SystemClock())


def _bench(
    loaded: Loaded,
    equipment: Equipment,
    reporter: Reporter,
    stop: StopRequest,
    loads: Mapping[str, WorkloadFiles],
) -> Bench:
    from orchestrator.adapters.environment import fingerprint
    from orchestrator.adapters.guest_output import OutputReader
    from orchestrator.adapters.samplers.sampler import Samplers
    from orchestrator.engine.bench import Bench

    clock = equipment.clock or SystemClock()
    return Bench(
        clock=clock,
        hypervisor=equipment.hypervisor,
        connector=equipment.connector or _ssh(clock),
        samplers=equipment.samplers or Samplers(clock),
        parser=OutputReader,
        fingerprint=fingerprint,
        loads=loads,
        switch=drivers()[loaded.driver].switch,
        reporter=reporter,
        stop=stop,
        neighbours={guest: _open(loaded, guest).hypervisor for guest in guests_of(loaded.plan.neighbours)},
    )


def _record(loaded: Loaded, inputs: Mapping[str, bytes], kind: str, now: str) -> RunRecord:
    import hashlib

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
        versions={"python": python_version()} | {name: _version(name) for name in _VERSIONS_OF},
        inputs_sha256={name: hashlib.sha256(content).hexdigest() for name, content in inputs.items()},
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"


# ------------------------------------------------------------------------------------------------------- reading


def _folder_store(path: str) -> FolderStore:
    from orchestrator.adapters.store.folder import FolderStore

    return FolderStore(Path(path))


def stored_runs(store: str) -> tuple[list[StoredRun], list[str]]:
    """All runs, and what could not be read."""
    folder = _folder_store(store)
    return folder.list(), folder.problems()


@dataclass(frozen=True)
class RunView:
    """A stored run with what was found damaged in it, its environment and its verdict."""

    run: StoredRun
    verdict: Verdict
    environment: Environment | None
    problems: list[str]
    time: tuple[TimeUse, ...]
    explanation: tuple[Step, ...]


def run_view(run: str, store: str, per: str, *, explain: bool = False) -> RunView:
    """A run of the store by id, beginning of one, or ``last``, judged by its plan's rule; how, if that is wanted."""
    from orchestrator.core.verdict.minutes import spent_time
    from orchestrator.core.verdict.rule import rule_of
    from orchestrator.engine.judge import evidence_of, explained, verdict_of

    folder = _folder_store(store)
    stored = folder.find(run)
    problems = folder.problems()
    environment = None
    try:
        environment = folder.environment(stored)
    except StoreError as error:
        # The trials and the verdict stand without it.
        problems = [*problems, str(error)]
    rule = rule_of(stored.record, per)
    reached = verdict_of(stored, per=per)
    steps = explained(evidence_of(stored), rule, reached) if explain else ()
    return RunView(stored, reached, environment, problems, spent_time(stored.trials, rule), steps)


def trial_view(run: str, trial: str, store: str) -> tuple[StoredRun, TrialRecord, TrialData, list[str]]:
    """A run, one trial of it with its series, and what was found damaged."""
    from orchestrator.engine.showing import pick_trial

    folder = _folder_store(store)
    stored = folder.find(run)
    record = pick_trial(stored, trial, folder.problems())
    data = folder.load_trial(stored, record.id)
    return stored, record, data, folder.problems()


# ------------------------------------------------------------------------------------------------------ sandbox


def sandbox_settings(
    folder: Path | None, *, lab: Path | None = None, image: str | None = None, acceleration: str = "auto"
) -> Settings:
    """What a sandbox is asked to be, with the usual places where none are named."""
    from orchestrator.sandbox.accounts import tool_account
    from orchestrator.sandbox.layout import default_cache, default_folder
    from orchestrator.sandbox.settings import Settings

    return Settings(folder or default_folder(tool_account()), default_cache(), lab, image, acceleration)


def sandbox_up(settings: Settings, say: Say, broken_off: Callable[[], None]) -> Status:
    """Make a sandbox, or mend it; ``broken_off`` is called where that ends half-way."""
    from orchestrator.sandbox.up import up

    return up(settings, SystemClock(), say, broken_off)


def sandbox_down(settings: Settings, say: Say, *, images: bool) -> None:
    """Remove a sandbox."""
    from orchestrator.sandbox.down import down

    down(settings, SystemClock(), say, images=images)


def sandbox_status(settings: Settings) -> Status:
    """Look at a sandbox."""
    from orchestrator.sandbox.status import status

    return status(settings)
