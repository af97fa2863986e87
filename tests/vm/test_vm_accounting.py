"""Run, wait and idle of real vCPUs add up to the wall time, whatever the guest does and whoever it competes with."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest
from vcpu_accounts import BUSY, HALF, IDLE, Account, insist_both, other_load
from vm_runs import Witness, bench, plan
from vm_sandbox import BOOKINGS, TIMETABLE, Sandbox

from orchestrator.adapters.clock import SystemClock
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.ports import Hypervisor, Shell

pytestmark = [pytest.mark.vm, pytest.mark.quiet]

WINDOW_S = 5
SETTLE_S = 2


class Subject:
    """A guest that runs, watched by its driver and by its host."""

    def __init__(self, sandbox: Sandbox, guest: str, hypervisor: Hypervisor) -> None:
        self.hypervisor = hypervisor
        self.shell: Shell = sandbox.log_in(guest)
        self.host = HostWatch(bench(plan(guest), hypervisor, Witness()))
        self.host.ready()

    def close(self) -> None:
        self.host.close()
        self.shell.close()

    @contextmanager
    def under(self, *load: str) -> Iterator[None]:
        """Under a load, from its second second on."""
        process = self.shell.start(load)
        for _ in range(2):
            assert process.wait_line(20) is not None, process.errors()
        yield
        assert process.stop(10) is not None


@contextmanager
def running(sandbox: Sandbox, sizes: dict[str, int]) -> Iterator[dict[str, Subject]]:
    """Guests with so many vCPUs, all of them pinned to the first physical CPU."""
    with ExitStack() as stack:
        drivers = {}
        for guest, vcpus in sizes.items():
            shape = {"name": "pinned", "vcpus": vcpus, "memory": "192 MiB", "pin": [0]}
            drivers[guest] = hypervisor = sandbox.driver(guest)
            stack.callback(hypervisor.close)
            saved = hypervisor.save()
            stack.callback(hypervisor.restore, saved)
            hypervisor.reshape(Shape.model_validate(shape), saved)
            hypervisor.start()
            stack.callback(hypervisor.stop, 0.0)
        subjects = {guest: Subject(sandbox, guest, hypervisor) for guest, hypervisor in drivers.items()}
        for subject in subjects.values():
            stack.callback(subject.close)
        yield subjects


def insist(subjects: dict[str, Subject], expected: dict[str, dict[int, Account]]) -> None:
    """Watch all guests for a while, then insist on what both sources say of each."""
    clock = SystemClock()
    told: dict[str, list[Sample]] = {guest: [] for guest in subjects}
    seen: dict[str, list[Sample]] = {guest: [] for guest in subjects}
    began_s = clock.monotonic()
    for second in range(WINDOW_S + 1):
        clock.sleep(began_s + second - clock.monotonic())
        for guest, subject in subjects.items():
            told[guest].append(subject.hypervisor.counters())
            sample = subject.host.sample()
            assert sample is not None
            seen[guest].append(sample)
    other = other_load(seen[BOOKINGS], *seen.values())
    for guest, accounts in expected.items():
        insist_both(told[guest], seen[guest], {vcpu: account.beside(other) for vcpu, account in accounts.items()})


def test_run_wait_and_idle_account_for_the_wall_time_of_guests_that_share_a_cpu(sandbox: Sandbox) -> None:
    """Idle; one guest that works alone; two that compete, the second one on its second vCPU only."""
    with running(sandbox, {BOOKINGS: 1, TIMETABLE: 2}) as subjects:
        SystemClock().sleep(SETTLE_S)
        insist(subjects, {BOOKINGS: {0: IDLE}, TIMETABLE: {0: IDLE, 1: IDLE}})
        with subjects[BOOKINGS].under("work", "2"):
            insist(subjects, {BOOKINGS: {0: BUSY}, TIMETABLE: {0: IDLE, 1: IDLE}})
            with subjects[TIMETABLE].under("taskset", "2", "work", "1"):
                insist(subjects, {BOOKINGS: {0: HALF}, TIMETABLE: {0: IDLE, 1: HALF}})
