"""What a run works with, put together, and seen through."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import Interrupts
from orchestrator.adapters.local_time import Moment, local_text
from orchestrator.adapters.plan_file import Loaded
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.time_limit import TimeLimit
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.news import Notice
from orchestrator.engine.ports import Equipment, Leases, Reporter, RunWriter, StopRequest, WorkloadFiles
from orchestrator.wiring.drivers import drivers, open_guest, ssh
from orchestrator.wiring.views import run_view

if TYPE_CHECKING:
    from rich.console import Console

    from orchestrator.adapters.fan_out import FanOut
    from orchestrator.adapters.notify import People
    from orchestrator.engine.bench import Bench


class Silent:
    """Whom nobody needs to hear."""

    def tell(self, news: object) -> None:
        """Say nothing."""


@dataclass(frozen=True)
class Screen:
    """Where a run is told of, and how."""

    console: Console
    errors: Console
    per: str
    quiet: bool

    def say(self, text: str) -> None:
        """Words that have no other place."""
        self.errors.print(f"trialbed: {text}", markup=False, soft_wrap=not self.errors.is_terminal)


@dataclass(frozen=True)
class Job:
    """A plan with everything it takes to run it."""

    loaded: Loaded
    loads: Mapping[str, WorkloadFiles]
    equipment: Equipment
    screen: Screen
    leases: Leases
    notices: Sequence[str]
    people: People
    limit: TimeLimit

    def go(self, writer: RunWriter, done: Sequence[TrialRecord]) -> str:
        """Run what is not done yet; returns the run's id. An interrupt has been dealt with when this returns."""
        from orchestrator.adapters.report import progress
        from orchestrator.engine.run_plan import Run

        screen = self.screen
        reporter = progress.make(screen.console, screen.errors, SystemClock(), screen.per, quiet=screen.quiet)
        try:
            with (
                self._listeners(reporter, writer) as everybody,
                Interrupts(lambda text: everybody.tell(Notice(text))) as stop,
            ):
                bench = bench_of(self.loaded, self.equipment, everybody, stop, self.loads)
                bench = replace(bench, leases=self.leases, limit=self.limit)
                for text in self.notices:
                    everybody.tell(Notice(text))
                try:
                    Run(self.loaded.plan, self.loaded.lab, bench, writer, done).go()
                except KeyboardInterrupt:
                    pass  # the guest is back and the journal says so; what was measured is shown, and how to go on
                finally:
                    bench.close()
        finally:
            reporter.close()
        return writer.id

    def _listeners(self, reporter: Reporter, writer: RunWriter) -> FanOut:
        """Whoever is told of the run: the terminal, whoever looks from elsewhere, and people who are not watching."""
        from orchestrator.adapters.fan_out import FanOut
        from orchestrator.adapters.store.heartbeat import Heartbeat

        heartbeat = Heartbeat(Path(writer.location), SystemClock())
        if not self.people.addresses:
            return FanOut(reporter, heartbeat)
        people = self.people.notifier(
            writer.id,
            writer.location,
            answer=lambda: run_view(writer.location, "", "second").verdict.answer,
            notice=lambda text: reporter.tell(Notice(text)),
        )
        return FanOut(reporter, heartbeat, people)


def people_of(loaded: Loaded) -> People:
    """Whom the lab tells. Raises InputError where somebody cannot be written to; nothing is sent."""
    from orchestrator.adapters.notify import People, addresses

    return People(addresses(loaded.lab.notify, os.environ), loaded.plan.title, loaded.plan.guest)


def bench_of(
    loaded: Loaded,
    equipment: Equipment,
    reporter: Reporter,
    stop: StopRequest,
    loads: Mapping[str, WorkloadFiles],
) -> Bench:
    """What the engine reaches of the world, for one guest."""
    from orchestrator.adapters.environment import fingerprint
    from orchestrator.adapters.guest_output import OutputReader
    from orchestrator.adapters.samplers.sampler import Samplers
    from orchestrator.engine.bench import Bench

    clock = equipment.clock or SystemClock()
    return Bench(
        clock=clock,
        hypervisor=equipment.hypervisor,
        connector=equipment.connector or ssh(clock),
        samplers=equipment.samplers or Samplers(clock),
        parser=OutputReader,
        fingerprint=fingerprint,
        loads=loads,
        switch=drivers()[loaded.driver].switch,
        marks=drivers()[loaded.driver].left_behind == "marked",
        reporter=reporter,
        stop=stop,
        local_time=local_text,
        neighbours={guest: open_guest(loaded, guest).hypervisor for guest in guests_of(loaded.plan.neighbours)},
    )


def waited(loaded: Loaded, equipment: Equipment, begins: Moment, screen: Screen) -> Equipment:
    """Wait for a run's beginning; returns what it works with, since no connection lasts for hours unused."""
    from orchestrator.engine.waiting import wait_until

    if equipment.clock is None:
        equipment.hypervisor.close()
    wait_until(begins.at_s, equipment.clock or SystemClock(), local_text, screen.say)
    return open_guest(loaded) if equipment.clock is None else equipment  # a model has a time of its own
