"""The hypervisor's counters against the host's schedstat: what both can differ by, and what they cannot.

How far the two sources were apart on a real machine stands beside each figure: 300 readings of two vCPUs under load by
libvirt 9.0 and by /proc on a kernel of HZ=250 (measured for this project; no published source).
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.measure.checks import CHECKS, Evidence, vcpu_threads
from orchestrator.core.measure.samples import Sample, Throughput
from orchestrator.core.measure.second_look import second_looks

S = 10**9


def stream(run: float, wait: float = 0.0, *, late_s: float = 0.0, cut_ns: int = 1, vcpus: int = 1, until: int = 31):
    """Readings each second of vCPUs that run and wait at a steady rate, read a little late, cut to a step."""
    return [
        Sample(
            n + late_s,
            0.002,
            n * S,
            {
                f"vcpu.{vcpu}.{what}_ns": int((n + late_s) * share * S) // cut_ns * cut_ns
                for vcpu in range(vcpus)
                for what, share in (("run", run), ("wait", wait))
            },
        )
        for n in range(until)
    ]


def evidence(told, seen, *, vcpus: int = 1, window: tuple[float, float] = (10.0, 18.0)) -> Evidence:
    return Evidence(
        start_s=window[0],
        end_s=window[1],
        every_s=1.0,
        vcpus=vcpus,
        throughput=Throughput([], [], []),
        vcpu=told,
        host=seen,
        guest=[],
        shares=(),
    )


def test_the_check_is_among_the_checks() -> None:
    assert vcpu_threads in CHECKS


@pytest.mark.parametrize("run", [0.0, 0.01, 0.5, 0.998])
@pytest.mark.parametrize("late_s", [0.0, 0.03, -0.03])
def test_what_two_right_sources_differ_by_is_no_flag(run: float, late_s: float) -> None:
    """The hypervisor's run is cut to ticks: up to 20 ms low. The host is read a few hundredths of a second apart."""
    check = vcpu_threads(evidence(stream(run, 1 - run, cut_ns=20_000_000), stream(run, 1 - run, late_s=late_s)))
    assert check is not None
    assert check.state == "ok", check.detail


def test_a_counter_that_is_5_points_off_in_8_seconds_is_flagged_with_both_figures() -> None:
    check = vcpu_threads(evidence(stream(0.45, 0.5), stream(0.50, 0.5, late_s=0.03)))
    assert check is not None
    assert check.state == "flag"
    assert "vCPU 0: run 45.0 % by the hypervisor's counter, 50.0 % by the host's (± " in check.detail
    assert "wait" not in check.detail.removeprefix("the vCPU counters")


@pytest.mark.parametrize("wrong", [(0.5, 0.0), (0.5, 0.55), (0.0, 0.5), (1.0, 0.5)])
def test_a_broken_counter_of_either_kind_is_flagged(wrong: tuple[float, float]) -> None:
    check = vcpu_threads(evidence(stream(*wrong, vcpus=2), stream(0.5, 0.5, vcpus=2), vcpus=2))
    assert check is not None
    assert check.state == "flag"
    assert "vCPU 1" in check.detail


def test_it_does_not_apply_where_the_host_shows_no_threads() -> None:
    host = [replace(sample, values={"cpu.user_ticks": 5}) for sample in stream(0.5)]
    assert vcpu_threads(evidence(stream(0.5), host)) is None
    assert vcpu_threads(evidence(stream(0.5), [])) is None


def test_a_thread_that_is_not_seen_is_unavailable_and_not_ok() -> None:
    check = vcpu_threads(evidence(stream(0.5, vcpus=2), stream(0.5, vcpus=1), vcpus=2))
    assert check is not None
    assert (check.state, "vCPU 1" in check.detail) == ("unavailable", True)


@pytest.mark.parametrize(
    "host",
    [
        pytest.param(stream(0.5, until=12), id="lost after two seconds of the window"),
        pytest.param(stream(0.5)[:5], id="lost before it"),
        pytest.param([replace(s, time_s=s.time_s + 1000) for s in stream(0.5)], id="of another time"),
    ],
)
def test_readings_that_do_not_cover_the_window_are_not_ok(host) -> None:
    check = vcpu_threads(evidence(stream(0.5), host))
    assert check is not None
    assert check.state == "unavailable"


def test_a_counter_that_started_again_is_left_to_the_check_that_finds_it() -> None:
    told = stream(0.5)
    fallen = [*told[:15], *(replace(s, values=dict.fromkeys(s.values, 0)) for s in told[15:])]
    check = vcpu_threads(evidence(fallen, stream(0.5)))
    assert check is not None
    assert check.state == "unavailable"


def test_shares_are_of_the_time_between_the_first_and_the_last_pair() -> None:
    """0.3 x 8 s of run and 0.2 x 8 s of wait in a window of 8 s: by definition of a share."""
    run, wait = second_looks(stream(0.3, 0.2), stream(0.3, 0.2), 1, (10.0, 18.0), 1.0)
    assert (run.what, run.told, run.seen) == ("run", pytest.approx(0.3), pytest.approx(0.3))
    assert (wait.what, wait.told, wait.seen) == ("wait", pytest.approx(0.2), pytest.approx(0.2))


@settings(deadline=None, derandomize=True)
@given(st.floats(0, 1), st.floats(-0.5, 0.5), st.floats(0, 1))
def test_reading_one_later_than_the_other_never_makes_a_flag(run: float, late_s: float, drift: float) -> None:
    """Whatever the delay, and even when it changes along the window: the counter gains one second a second at most."""
    told = stream(run, 1 - run)
    seen = [
        replace(
            sample,
            time_s=sample.time_s + late_s * (1 - drift * n / 30),
            values={
                f"vcpu.0.{what}_ns": int(max(sample.time_s + late_s * (1 - drift * n / 30), 0) * share * S)
                for what, share in (("run", run), ("wait", 1 - run))
            },
        )
        for n, sample in enumerate(told)
    ]
    check = vcpu_threads(evidence(told, seen))
    assert check is not None
    assert check.state == "ok"
