"""Plans and labs, read and looked at before anything is done."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import Interrupts, heed
from orchestrator.adapters.local_time import NOTHING_ASKED, Asked, sitting
from orchestrator.adapters.plan_file import Loaded, load
from orchestrator.errors import InputError
from orchestrator.wiring.drivers import driver_facts, drivers, open_guest
from orchestrator.wiring.job import Silent, bench_of, people_of
from orchestrator.wiring.leasing import leases_of

if TYPE_CHECKING:
    from orchestrator.engine.check_plan import Forecast
    from orchestrator.engine.probe import Readiness


def load_plan(plan: Path, lab: Path | None) -> Loaded:
    """Plan and lab from their files, checked against each other."""
    return load(plan, driver_facts(), lab_path=lab)


def forecast_of(loaded: Loaded, asked: Asked = NOTHING_ASKED) -> Forecast:
    """What a plan would do, and how much of it in the time that is asked for."""
    from orchestrator.engine.check_plan import forecast

    now_s = SystemClock().now()
    given = sitting(asked, loaded.plan.start, now_s).given(now_s)
    view = forecast(loaded.plan, loaded.lab, drivers()[loaded.driver].switch, given)
    told = tuple(recipient.told for recipient in loaded.lab.notify)
    return replace(view, actions=(*view.actions, *told), refusals=(*view.refusals, *_mute(loaded)))


def probe_of(loaded: Loaded) -> list[Readiness]:
    """Readiness of the lab, line by line."""
    from orchestrator.engine.probe import probe
    from orchestrator.engine.run_plan import refuse_unmarked

    heed()
    refuse_unmarked(loaded.plan, loaded.lab)
    bench = bench_of(loaded, open_guest(loaded), Silent(), Interrupts(lambda _text: None), {})
    bench = replace(bench, leases=leases_of(loaded))
    try:
        return [*probe(loaded.plan, bench), *_addresses_ready(loaded)]
    finally:
        bench.close()


def _mute(loaded: Loaded) -> list[str]:
    """Why nobody could be told of a run, in words; empty where everybody can."""
    try:
        people_of(loaded)
    except InputError as error:
        return [str(problem) for problem in error.problems]
    return []


def _addresses_ready(loaded: Loaded) -> list[Readiness]:
    from orchestrator.engine.probe import Readiness

    if reasons := _mute(loaded):
        return [Readiness("messages", "not ready", reason) for reason in reasons]
    names = [address.name for address in people_of(loaded).addresses]
    return [Readiness("messages", "ready", f"{name}; nothing was sent") for name in names]
