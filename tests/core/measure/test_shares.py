"""Run, wait and idle add up to the wall time; what the kernel's fields mean.

Sources: Linux kernel documentation, scheduler/sched-stats (a thread's schedstat: ns on a CPU, ns waiting on a run
queue) and filesystems/proc (/proc/stat: USER_HZ ticks; iowait may decrease; guest time is part of user time).
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.samples import Sample
from orchestrator.core.measure.shares import (
    COUNTER_STEP_S,
    cpu_count,
    host_busy,
    interpolation_error,
    steal,
    vcpu_shares,
)
from orchestrator.testing.samples import growing

SECOND_NS = 1e9


def test_shares_are_what_the_counters_say():
    taken = growing({"vcpu.0.run_ns": 0.62 * SECOND_NS, "vcpu.0.wait_ns": 0.10 * SECOND_NS}, start_s=0, end_s=100)
    (share,) = vcpu_shares(taken, 10, 90)
    assert share.run == pytest.approx(0.62)
    assert share.wait == pytest.approx(0.10)
    assert share.idle == pytest.approx(0.28)
    assert share.uncertainty == pytest.approx(COUNTER_STEP_S / 80)


def test_vcpus_are_numbered_as_numbers():
    taken = growing({f"vcpu.{n}.run_ns": 1e8 * n for n in (10, 2, 0)}, start_s=0, end_s=10)
    assert [share.vcpu for share in vcpu_shares(taken, 0, 10)] == [0, 2, 10]


def test_without_a_wait_counter_wait_and_idle_are_unknown():
    (share,) = vcpu_shares(growing({"vcpu.0.run_ns": 5e8}, start_s=0, end_s=10), 0, 10)
    assert share.run == pytest.approx(0.5)
    assert share.wait is None
    assert share.idle is None


def test_a_window_that_is_not_covered_has_no_shares():
    assert vcpu_shares(growing({"vcpu.0.run_ns": 5e8}, start_s=0, end_s=10), 5, 15) == ()
    assert vcpu_shares([], 0, 1) == ()
    assert vcpu_shares(growing({"vcpu.0.run_ns": 5e8}, start_s=0, end_s=10), 5, 5) == ()


def test_an_excess_within_the_uncertainty_is_scaled_to_one():
    taken = growing({"vcpu.0.run_ns": 0.801 * SECOND_NS, "vcpu.0.wait_ns": 0.2005 * SECOND_NS}, start_s=0, end_s=10)
    (share,) = vcpu_shares(taken, 0, 10)
    assert share.idle == pytest.approx(0, abs=1e-12)
    assert share.run + (share.wait or 0) == pytest.approx(1, abs=1e-12)


def test_an_excess_beyond_it_is_shown_as_it_is():
    """Clamping any excess would hide that two counters contradict each other."""
    taken = growing({"vcpu.0.run_ns": 0.9 * SECOND_NS, "vcpu.0.wait_ns": 0.3 * SECOND_NS}, start_s=0, end_s=10)
    (share,) = vcpu_shares(taken, 0, 10)
    assert share.idle == pytest.approx(-0.2)
    assert share.run == pytest.approx(0.9)


def test_the_uncertainty_has_clocks_counter_step_and_surplus():
    rates = {"vcpu.0.run_ns": 5e8, "vcpu.0.wait_ns": 0, "vcpu.0.surplus_ns": 0.01 * SECOND_NS}
    (share,) = vcpu_shares(growing(rates, start_s=0, end_s=10, uncertainty_s=0.05), 0, 10)
    assert share.uncertainty == pytest.approx((0.05 + 0.05 + COUNTER_STEP_S + 0.1) / 10)


def test_a_window_that_ends_between_samples_is_less_certain():
    taken = growing({"vcpu.0.run_ns": 5e8, "vcpu.0.wait_ns": 0}, start_s=0, end_s=10)
    at_samples, between = vcpu_shares(taken, 1, 9)[0], vcpu_shares(taken, 1.5, 9.5)[0]
    assert between.uncertainty == pytest.approx(at_samples.uncertainty + 2 * 0.25 / 8)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_interpolation_is_never_more_wrong_than_its_bound(position, share, lateness):
    """Any counter that grows by ``share`` at a slope of 0 or 1: busy for that long, beginning anywhere."""
    begin = lateness * (1 - share)
    truth = min(max(position - begin, 0.0), share)
    assert abs(truth - share * position) <= interpolation_error(position, share) + 1e-12


@settings(max_examples=80, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=5, max_size=20), st.floats(0, 0.4), st.floats(0.6, 1)
)
def test_run_wait_and_idle_are_the_wall_time(seconds, begin, end):
    """The accounting identity, over whatever a vCPU did in each second and wherever the window lies."""
    run = wait = 0
    taken = [Sample(0, 0.001, 0, {"vcpu.0.run_ns": 0, "vcpu.0.wait_ns": 0})]
    for place, (busy, waiting) in enumerate(seconds):
        run += round(busy * SECOND_NS)
        wait += round((1 - busy) * waiting * SECOND_NS)
        taken.append(Sample(place + 1, 0.001, 0, {"vcpu.0.run_ns": run, "vcpu.0.wait_ns": wait}))
    (share,) = vcpu_shares(taken, begin * len(seconds), end * len(seconds))
    assert share.wait is not None
    assert share.idle is not None
    assert share.run + share.wait + share.idle == pytest.approx(1, abs=1e-9)
    assert min(share.run, share.wait, share.idle) >= -1e-9


# 2 CPUs at 100 ticks a second: 200 ticks of wall time each second.
STAT = {
    "cpu.user_ticks": 60,
    "cpu.nice_ticks": 4,
    "cpu.system_ticks": 20,
    "cpu.idle_ticks": 90,
    "cpu.iowait_ticks": 6,
    "cpu.irq_ticks": 1,
    "cpu.softirq_ticks": 3,
    "cpu.steal_ticks": 16,
    "cpu.guest_ticks": 50,
    "cpu.guest_nice_ticks": 4,
}


def test_guest_time_is_inside_user_time_and_counted_once():
    taken = growing(STAT, start_s=0, end_s=20)
    assert host_busy(taken, 0, 20) == pytest.approx((60 + 4 + 20 + 1 + 3) / 200)
    without_guests = growing({k: v for k, v in STAT.items() if "guest" not in k}, start_s=0, end_s=20)
    assert host_busy(without_guests, 0, 20) == host_busy(taken, 0, 20)


def test_steal_is_a_share_of_all_wall_time():
    assert steal(growing(STAT, start_s=0, end_s=20), 0, 20) == pytest.approx(16 / 200)


def test_a_kernel_that_does_not_say_is_not_a_kernel_that_says_zero():
    old = growing({k: v for k, v in STAT.items() if "steal" not in k}, start_s=0, end_s=20)
    assert steal(old, 0, 20) is None
    assert host_busy(old, 0, 20) == pytest.approx(88 / 184)
    assert host_busy([], 0, 20) is None
    assert host_busy(growing({"vcpu.0.run_ns": 1}, start_s=0, end_s=20), 0, 20) is None


def test_a_falling_iowait_does_not_spoil_the_rest():
    taken = growing(STAT, start_s=0, end_s=20)
    fallen = [*taken[:-1], Sample(taken[-1].time_s, 0, 0, {**taken[-1].values, "cpu.iowait_ticks": 0})]
    assert host_busy(fallen, 0, 20) == pytest.approx(host_busy(taken, 0, 20), rel=0.01)


def test_cpus_are_counted_from_their_own_lines():
    taken = growing({**STAT, "cpu0.user_ticks": 1, "cpu1.user_ticks": 1, "cpu11.user_ticks": 1}, start_s=0, end_s=1)
    assert cpu_count(taken) == 3
    assert cpu_count(growing(STAT, start_s=0, end_s=1)) is None
    assert cpu_count([]) is None
