"""The truth of the simulation, against closed forms and what practitioners see."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.design.shape import Shape
from orchestrator.hypervisors.simulated.model import HOUSEKEEPING, split, truth
from orchestrator.hypervisors.simulated.settings import SimulatedSettings


def settings(**declared: object) -> SimulatedSettings:
    plain = {"gang": False, "neighbours": 0, "cpus": 16, "rate": 1, "cost-per-extra-vcpu": "0 %"}
    return SimulatedSettings.model_validate({**plain, **declared})


def shape(vcpus: int, **more: object) -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": "1 GiB", **more})


# ------------------------------------------------------------------------------------------------ what is seen


def test_an_idle_second_vcpu_costs_throughput_and_a_second_thread_gets_it_back() -> None:
    """Common practice, no published source: readings such as 2400, 1470 and 2500 operations a minute."""
    contended = SimulatedSettings()
    one_on_one, one_on_two, two_on_two = (truth(contended, shape(v), t) for v, t in ((1, 1), (2, 1), (2, 2)))
    assert one_on_two.rate < 0.8 * one_on_one.rate
    assert two_on_two.rate > one_on_one.rate
    assert one_on_two.idle[1] > 0.99
    assert one_on_two.wait[0] > one_on_one.wait[0]


def test_the_model_can_be_given_the_readings_of_practice() -> None:
    """Common practice, no published source: 2400, 1470, 2500 operations a minute; 62 % run, 10 % wait in the first.

    Six CPUs and six neighbours, operations that pause a third of their time, and a second vCPU that costs a lot.
    """
    bookings = SimulatedSettings.model_validate(
        {"cpus": 6, "neighbours": 6, "busy": "69 %", "rate": 64.6, "cost-per-extra-vcpu": "48 %", "serial": "18 %"}
    )
    for (vcpus, threads), per_minute in {(1, 1): 2400, (2, 1): 1470, (2, 2): 2500}.items():
        assert truth(bookings, shape(vcpus), threads).rate * 60 == pytest.approx(per_minute, rel=0.01)
    first = truth(bookings, shape(1), 1)
    assert (first.run[0], first.wait[0]) == pytest.approx((0.62, 0.10), abs=0.01)


def test_without_gangs_an_idle_vcpu_costs_its_overhead_only() -> None:
    fair = settings(cpus=2, neighbours=2, **{"cost-per-extra-vcpu": "5 %"})
    assert truth(fair, shape(1), 1).rate / truth(fair, shape(2), 1).rate == pytest.approx(1.05)


# ------------------------------------------------------------------------------------------------- closed forms


@pytest.mark.parametrize("vcpus", [1, 2, 4])
@pytest.mark.parametrize("neighbours", [0, 1, 2, 7])
def test_proportional_share(vcpus: int, neighbours: int) -> None:
    """V busy vCPUs beside N neighbours on P CPUs run min(1, P / (V + N)) and wait the rest (derivation)."""
    host = settings(cpus=2, neighbours=neighbours)
    found = truth(host, shape(vcpus), vcpus)
    run = min(1, 2 / (vcpus + neighbours))
    assert found.run == pytest.approx([run] * vcpus)
    assert found.wait == pytest.approx([1 - run] * vcpus)
    assert found.rate == pytest.approx(vcpus * run)
    assert found.neighbours_run == pytest.approx(min(neighbours, 2 - vcpus * run))


def test_universal_scalability_law() -> None:
    """Noise-free figures for sigma = kappa = 0.02 (check data that come with the R package usl, after Gunther 2007)."""
    host = settings(serial="2 %", coherence="2 %")
    for threads, relative in {1: 1, 2: 1.8868, 4: 3.0769, 6: 3.5294, 8: 3.5398, 10: 3.3557}.items():
        assert truth(host, shape(threads), threads).rate == pytest.approx(relative, abs=5e-5)


def test_amdahl_is_the_law_without_coherence_cost() -> None:
    """10 % serial work limits the speed-up to 10 (Amdahl 1967)."""
    host = settings(serial="10 %", cpus=1024)
    for n in (1, 2, 10, 1024):
        assert truth(host, shape(n), n).rate == pytest.approx(1 / (0.1 + 0.9 / n))


def test_threads_queueing_inside_the_guest_do_not_wait_for_the_host() -> None:
    one = truth(settings(), shape(1), 1)
    for threads in (2, 3, 50):
        crowded = truth(settings(), shape(1), threads)
        assert crowded.wait == (0.0,)
        assert crowded.rate == one.rate


def test_pauses_are_not_stretched() -> None:
    """By hand: 1 s of work at half speed and 1 s of pause make a cycle of 3 s, a third each of run, wait and idle."""
    halved = split(demand=0.5, share=0.5)
    assert (halved.run, halved.wait, halved.idle) == pytest.approx((1 / 3, 1 / 3, 1 / 3))


def test_a_second_thread_fills_the_pauses_of_the_first() -> None:
    host = settings(busy="40 %")
    assert [truth(host, shape(1), t).run[0] for t in (1, 2, 3)] == pytest.approx([0.4, 0.8, 1.0])


def test_quota_throttles_and_the_throttled_time_is_wait() -> None:
    found = truth(settings(busy="80 %"), shape(2, quota="100 %"), 2)
    assert found.run == pytest.approx([0.5, 0.5])
    assert found.idle == pytest.approx([0.125, 0.125])  # 0.8 of work to 0.2 of pause, as without the quota
    assert found.wait == pytest.approx([0.375, 0.375])
    assert truth(settings(), shape(2, quota="300 %"), 2) == truth(settings(), shape(2), 2)


def test_pinned_vcpus_share_the_cpus_they_may_use() -> None:
    assert truth(settings(), shape(4, pin=[0, 1]), 4).run == pytest.approx([0.5] * 4)
    crowded = settings(cpus=2, neighbours=6)
    assert truth(crowded, shape(1, pin=[0]), 1).run == pytest.approx([2 / 7])


def test_a_gang_that_never_fits_is_refused() -> None:
    gang = settings(gang=True, cpus=4)
    with pytest.raises(ValueError, match="never fits on 4"):
        truth(gang, shape(5), 1)
    with pytest.raises(ValueError, match="never fits on 2"):
        truth(gang, shape(3, pin=[0, 1]), 1)


def test_the_service_demand_is_the_cpu_time_of_an_operation() -> None:
    """Utilisation law: CPU seconds an operation = CPUs in use / throughput (Denning & Buzen 1978)."""
    for neighbours in (0, 30):
        found = truth(settings(neighbours=neighbours, rate=50), shape(4), 2)
        assert found.cpu_seconds_per_operation == pytest.approx(1 / 50)
        assert sum(found.run[:2]) / found.rate == pytest.approx(1 / 50)


# ---------------------------------------------------------------------------------------------------- invariants

HOSTS = st.fixed_dictionaries(
    {
        "cpus": st.integers(1, 24),
        "neighbours": st.integers(0, 60),
        "gang": st.booleans(),
        "busy": st.integers(1, 100).map("{} %".format),
        "serial": st.integers(0, 100).map("{} %".format),
        "coherence": st.integers(0, 10).map("{} %".format),
        "cost-per-extra-vcpu": st.integers(0, 50).map("{} %".format),
    }
)


@given(HOSTS, st.integers(1, 24), st.integers(0, 100), st.none() | st.integers(1, 400))
def test_every_vcpus_time_adds_up_and_no_cpu_is_used_twice(host, vcpus, threads, quota) -> None:  # type: ignore[no-untyped-def]
    declared = SimulatedSettings.model_validate(host)
    vcpus = min(vcpus, declared.cpus) if declared.gang else vcpus
    guest = shape(vcpus, **({"quota": f"{quota} %"} if quota else {}))
    found = truth(declared, guest, threads)
    for parts in zip(found.run, found.wait, found.idle, strict=True):
        assert math.fsum(parts) == pytest.approx(1, abs=1e-12)
        assert min(parts) >= -1e-12
    assert sum(found.run) + found.neighbours_run <= declared.cpus + 1e-9
    assert -1e-9 <= found.neighbours_run <= declared.neighbours + 1e-9
    if quota and threads:
        assert sum(found.run[: min(threads, vcpus)]) <= quota / 100 + 1e-9
    if not threads:
        assert found.rate == 0
        assert found.cpu_seconds_per_operation is None
        assert max(found.run) <= HOUSEKEEPING


@given(HOSTS, st.integers(1, 12), st.integers(1, 12))
def test_more_neighbours_never_help(host, vcpus, threads) -> None:  # type: ignore[no-untyped-def]
    declared = SimulatedSettings.model_validate(host)
    vcpus = min(vcpus, declared.cpus) if declared.gang else vcpus
    rates = [
        truth(declared.model_copy(update={"neighbours": n}), shape(vcpus), threads).rate for n in (0, 1, 3, 10, 100)
    ]
    assert all(later <= earlier * (1 + 1e-12) for earlier, later in pairwise(rates))
