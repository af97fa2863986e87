"""The account of one vCPU, by hand-worked figures."""

from __future__ import annotations

import pytest
from here_kernel import Thread, busy

from orchestrator.hypervisors.here.accounting import BANK_LIMIT_NS, Task, Vcpu
from orchestrator.hypervisors.here.tasks import Counters

MS = 1_000_000


@pytest.fixture
def vcpu():
    return Vcpu(0, 0)


def _task(vcpu: Vcpu) -> Task:
    return Task(1, 1, Thread(1, 1, busy()), vcpu)  # type: ignore[arg-type]


def test_the_principal_s_times_are_the_vcpu_s(vcpu):
    task = _task(vcpu)
    vcpu.seat(task, 0)
    vcpu.charge(task, 7 * MS, 3 * MS)
    vcpu.close_window(0)
    assert (vcpu.run_ns, vcpu.wait_ns, vcpu.surplus_ns, vcpu.bank_ns) == (7 * MS, 3 * MS, 0, 0)


def test_of_others_only_the_run_counts_and_the_doubt_is_booked(vcpu):
    principal, other = _task(vcpu), _task(vcpu)
    vcpu.seat(principal, 0)
    vcpu.charge(principal, 7 * MS, 3 * MS)
    vcpu.charge(other, 2 * MS, 4 * MS)
    vcpu.close_window(vcpu.others_run_ns)
    assert (vcpu.run_ns, vcpu.wait_ns) == (9 * MS, 3 * MS)
    assert vcpu.surplus_ns == 4 * MS + min(3 * MS, 2 * MS)
    assert vcpu.bank_ns == -2 * MS


def test_the_window_starts_anew(vcpu):
    other = _task(vcpu)
    vcpu.charge(other, 2 * MS, 4 * MS)
    vcpu.close_window(vcpu.others_run_ns)
    vcpu.close_window(vcpu.others_run_ns)
    assert vcpu.surplus_ns == 4 * MS


def test_idle_time_is_saved_up_to_a_limit(vcpu):
    task = _task(vcpu)
    vcpu.seat(task, 0)
    vcpu.charge(task, 4 * MS, 1 * MS)
    vcpu.vacate(15 * MS)
    assert vcpu.bank_ns == 10 * MS
    vcpu.settle(1000 * MS)
    assert vcpu.bank_ns == BANK_LIMIT_NS


def test_counters_that_lag_do_not_take_from_the_bank(vcpu):
    """A running thread's counters move in steps: what shows late was run before."""
    task = _task(vcpu)
    vcpu.seat(task, 0)
    vcpu.charge(task, 8 * MS, 0)
    vcpu.settle(4 * MS)
    assert vcpu.bank_ns == 0


def test_counters_that_fall_count_nothing(vcpu):
    """After exec by another thread of the process the leader's files show that thread's counters."""
    task = _task(vcpu)
    assert task.advance(Counters(9 * MS, 5 * MS)) == (9 * MS, 5 * MS)
    assert task.advance(Counters(2 * MS, 6 * MS)) == (0, 1 * MS)
    assert task.advance(Counters(3 * MS, 6 * MS)) == (1 * MS, 0)


def test_a_task_that_cannot_be_held_is_in_doubt_as_a_whole(vcpu):
    other = _task(vcpu)
    other.holdable = False
    vcpu.charge(other, 2 * MS, 4 * MS)
    vcpu.close_window(0)
    assert vcpu.surplus_ns == 6 * MS
