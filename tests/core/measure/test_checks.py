"""Each check in its three states; unavailable is never ok."""

from __future__ import annotations

from dataclasses import replace

import pytest

from orchestrator.core.measure.checks import CHECKS, Evidence, run_checks
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.results import Check, Interval
from orchestrator.core.measure.samples import Sample, Throughput
from orchestrator.core.measure.shares import vcpu_shares
from orchestrator.testing.samples import growing

SECOND_NS = 1e9
GOOD_VCPU = {
    "vcpu.0.run_ns": 0.6 * SECOND_NS,
    "vcpu.0.wait_ns": 0.1 * SECOND_NS,
    "vcpu.0.surplus_ns": 0.001 * SECOND_NS,
}
# Two CPUs at 100 ticks a second; 0.62 CPUs busy.
GOOD_HOST = {
    "cpu.user_ticks": 50,
    "cpu.nice_ticks": 0,
    "cpu.system_ticks": 12,
    "cpu.idle_ticks": 138,
    "cpu.iowait_ticks": 0,
    "cpu.irq_ticks": 0,
    "cpu.softirq_ticks": 0,
    "cpu.steal_ticks": 0,
    "cpu0.user_ticks": 25,
    "cpu1.user_ticks": 25,
    "cpu0.throttles": 0,
    "cpu1.throttles": 0,
}
GOOD_GUEST = {"cpu.user_ticks": 58, "cpu.system_ticks": 2, "cpu.idle_ticks": 30, "cpu.steal_ticks": 10}
CLOCK = (Offset(5.0, 0.0005, 0.0, 20), Offset(5.0002, 0.0005, 100.0, 20))


def over(rates, every_s=1.0, constants=None):
    return growing(rates, start_s=0, end_s=100, every_s=every_s, constants=constants)


def evidence(**changes) -> Evidence:
    vcpu = changes.get("vcpu", over(GOOD_VCPU))
    good = {
        "start_s": 20.0,
        "end_s": 80.0,
        "every_s": 1.0,
        "vcpus": 1,
        "throughput": Throughput([21.0, 22.0], [1.0, 1.0], [10.0, 10.0]),
        "vcpu": vcpu,
        "host": over(GOOD_HOST, constants={"cpu0.khz": 2_400_000, "cpu1.khz": 2_400_000}),
        "guest": over(GOOD_GUEST),
        "shares": vcpu_shares(vcpu, 20.0, 80.0),
        "clocks": {"host": CLOCK, "guest": CLOCK},
        "interval": Interval(mean=10.0, low=9.9, high=10.1),
    }
    return Evidence(**{**good, **changes})


def interval(mean: float, half_width: float | None) -> Interval:
    if half_width is None:
        return Interval(mean=mean, low=None, high=None)
    return Interval(mean=mean, low=mean - half_width, high=mean + half_width)


def state(name: str, **changes) -> tuple[str, str]:
    (check,) = [check for check in run_checks(evidence(**changes)) if check.name == name]
    return check.state, check.detail


def test_a_good_trial_passes_every_check():
    checks = run_checks(evidence())
    assert {check.name: check.state for check in checks} == dict.fromkeys((check.name for check in checks), "ok")
    assert len(checks) == len(CHECKS) - 1, "the host shows no threads of vCPUs here, so there is nothing to compare"
    assert state("vcpu threads", host=over(GOOD_HOST | GOOD_VCPU))[0] == "ok"


def test_a_trial_of_which_nothing_is_known_passes_none():
    checks = run_checks(evidence(vcpu=[], host=[], guest=[], shares=(), clocks={}, interval=interval(10.0, None)))
    unknown = {check.name for check in checks if check.state == "unavailable"}
    assert unknown == {c.name for c in checks} - {"workload output"}


def test_more_than_all_of_the_wall_time_is_flagged():
    found, detail = state("vcpu accounting", vcpu=over({"vcpu.0.run_ns": 0.9e9, "vcpu.0.wait_ns": 0.3e9}))
    assert found == "flag"
    assert "run 90.0 % + wait 30.0 % (± 0.1 %)" in detail


def test_a_little_more_is_not():
    assert state("vcpu accounting", vcpu=over({"vcpu.0.run_ns": 0.9e9, "vcpu.0.wait_ns": 0.1001e9}))[0] == "ok"


@pytest.mark.parametrize(
    ("rates", "vcpus", "words"),
    [
        ({"vcpu.0.run_ns": 5e8}, 1, "no wait counter covers the window for vCPU 0: "),
        (GOOD_VCPU, 3, "no run counter covers the window for vCPU 1, 2"),
    ],
)
def test_missing_vcpu_counters_are_unavailable(rates, vcpus, words):
    found, detail = state("vcpu accounting", vcpu=over(rates), vcpus=vcpus)
    assert found == "unavailable"
    assert words in detail


@pytest.mark.parametrize("what", ["run", "wait"])
def test_a_vcpu_counter_that_started_again_is_said_to_have(what):
    """A hypervisor whose process started again counts from nothing; that is not the same as having no counter."""
    again = [
        replace(s, values={**s.values, f"vcpu.0.{what}_ns": i if i > 50 else 10**9 + i})
        for i, s in enumerate(over(GOOD_VCPU))
    ]
    found, detail = state("vcpu accounting", vcpu=again)
    assert found == "unavailable"
    assert f"no {what} counter covers the window for vCPU 0" in detail
    assert f"(vcpu.0.{what}_ns was reset from 1000000050 to 51, 51 s after the first sample)" in detail


def test_a_clock_is_compared_in_parts_per_million_and_in_percent_where_it_matters():
    """2 ms in 100 s are 20 ppm; 0.2 s in 100 s are 0.2 %; no error is shown as none."""
    good = (Offset(5.0, 0.0005, 0.0, 20), Offset(4.998, 0.0005, 100.0, 20))
    fast = (Offset(5.0, 0.001, 0.0, 20), Offset(5.2, 0.001, 100.0, 20))
    sure = (Offset(5.0, 0.0, 0.0, 20), Offset(5.0, 0.0, 100.0, 20))
    assert "guest -20 ppm ± 10 ppm" in state("clock rate", clocks={"guest": good})[1]
    assert "guest +0.20 % ± 0.01 %" in state("clock rate", clocks={"guest": fast})[1]
    assert "guest +0 ppm ± 1 ppm" in state("clock rate", clocks={"guest": sure})[1]


def test_names_are_kept_as_they_are_and_shown_as_they_are_written():
    assert Check(name="vcpu accounting", state="ok", detail="").title == "vCPU accounting"
    assert Check(name="cpu frequency", state="ok", detail="").title == "CPU frequency"
    assert Check(name="other load", state="ok", detail="").title == "other load"


def test_missing_samples_are_flagged():
    assert state("samples", host=over(GOOD_HOST, every_s=2.0))[0] == "flag"
    whole = over(GOOD_GUEST)
    found, detail = state("samples", guest=whole[:40] + whole[44:])
    assert found == "flag"
    assert "guest: nothing for 5 s" in detail
    assert state("samples", guest=[])[0] == "unavailable"


def test_other_load_is_what_the_guest_did_not_run():
    busy = {**GOOD_HOST, "cpu.user_ticks": 140, "cpu.idle_ticks": 48}
    found, detail = state("other load", host=over(busy))
    assert found == "flag"
    assert "0.92 of its 2 CPUs" in detail
    assert state("other load", vcpu=[], shares=())[0] == "unavailable"


def test_throttling_and_frequency():
    found, detail = state("throttling", host=over({**GOOD_HOST, "cpu1.throttles": 2}))
    assert (found, "1 of 2 CPUs" in detail) == ("flag", True)
    cold = {name: rate for name, rate in GOOD_HOST.items() if "throttles" not in name}
    assert state("throttling", host=over(cold))[0] == "unavailable"
    assert state("cpu frequency", host=over(GOOD_HOST))[0] == "unavailable"
    slowing = [
        Sample(s.time_s, 0, 0, {**s.values, "cpu0.khz": 3_000_000 - 10_000 * place})
        for place, s in enumerate(over(GOOD_HOST))
    ]
    found, detail = state("cpu frequency", host=slowing)
    assert found == "flag"
    assert "GHz in the first third, 2.29 GHz in the last" in detail  # samples 61 to 80 of 3 GHz less 10 MHz each


@pytest.mark.parametrize(
    ("steal", "wait", "expected"),
    [(10, 0.1, "ok"), (13, 0.1, "ok"), (30, 0.0, "flag"), (3, 0.4, "flag"), (0, 0.4, "unavailable"), (0, 0.0, "ok")],
)
def test_steal_and_wait_are_the_same_time(steal, wait, expected):
    """A guest under software emulation sees no steal at all: the host's figure stands alone, and nothing is wrong."""
    guest = over({"cpu.user_ticks": 50, "cpu.idle_ticks": 50 - steal, "cpu.steal_ticks": steal})
    vcpu = over({"vcpu.0.run_ns": 0.5e9, "vcpu.0.wait_ns": wait * 1e9})
    assert state("steal against wait", guest=guest, vcpu=vcpu)[0] == expected


def test_surplus_time_of_a_process_guest():
    found, detail = state("surplus time", vcpu=over({**GOOD_VCPU, "vcpu.0.surplus_ns": 0.03e9}))
    assert (found, "3 %" in detail) == ("flag", True)
    machine = {name: rate for name, rate in GOOD_VCPU.items() if "surplus" not in name}
    assert "surplus time" not in {check.name for check in run_checks(evidence(vcpu=over(machine)))}


@pytest.mark.parametrize(
    ("gained_s", "uncertainty_s", "expected"),
    [
        (0.0, 0.001, "ok"),
        (0.09, 0.001, "ok"),
        (0.2, 0.001, "flag"),
        (-0.2, 0.001, "flag"),
        (0.05, 0.3, "unavailable"),
        (0.2, 0.3, "unavailable"),
    ],
)
def test_clock_rates(gained_s, uncertainty_s, expected):
    """0.1 % over 100 s is 0.1 s; a rate that is not known to 0.1 % is not known to be right."""
    guest = (Offset(5.0, uncertainty_s, 0.0, 20), Offset(5.0 + gained_s, uncertainty_s, 100.0, 20))
    assert state("clock rate", clocks={"guest": guest})[0] == expected


@pytest.mark.parametrize("clocks", [{}, {"guest": (CLOCK[0], None)}, {"host": CLOCK}])
def test_a_clock_that_was_not_compared_twice_is_unavailable(clocks):
    assert state("clock rate", clocks=clocks)[0] == "unavailable"


def test_problems_of_the_output_are_shown_and_counted():
    bad = replace(evidence().throughput, problems=("negative values: 3, first 2 s after the first reading",))
    found, detail = state("workload output", throughput=bad, output_problems=["a", "b", "c", "d"])
    assert found == "flag"
    assert detail == "a; b; c; and 2 more"


@pytest.mark.parametrize(
    ("half_width", "expected", "says"),
    [
        (0.2, "ok", "known within 2.0 %"),
        (5.0, "ok", "known within 50.0 %"),
        (5.1, "flag", "known within 51.0 % only"),
        (178.0, "flag", "the interval exceeds the mean: the readings are too few or too uneven"),
        (None, "unavailable", "too few"),
    ],
)
def test_a_mean_that_is_hardly_known_is_flagged(half_width, expected, says):
    found, detail = state("precision", interval=interval(10.0, half_width))
    assert found == expected
    assert says in detail


def test_a_trial_that_was_never_steady_has_no_precision():
    assert "precision" not in {check.name for check in run_checks(evidence(interval=None))}


def test_one_vcpu_is_not_counted_as_several():
    assert "for the vCPU, " in state("vcpu accounting")[1]


def test_a_window_of_no_length_is_judged_without_harm():
    checks = run_checks(evidence(start_s=50.0, end_s=50.0, shares=()))
    assert {check.state for check in checks if check.name != "workload output"} <= {"unavailable", "ok"}
    assert all(check.state != "ok" for check in checks if check.name in {"samples", "surplus time", "vcpu accounting"})


@pytest.mark.parametrize(
    ("busy", "vcpus", "wanted", "expected"),
    [
        # Two CPUs at 100 ticks a second; the guest runs 0.6 of a CPU.
        (160, 1, 1, "ok"),  # one loop had its CPU
        (110, 1, 1, "ok"),  # one loop had half of it
        (75, 1, 1, "flag"),  # 0.15 CPUs where one could be had
        (75, 1, 0, "ok"),  # a command, of which nobody knows what it wants
        (75, 1, None, "flag"),  # none declared: more than 5 % of the host
        (90, 8, 1, "ok"),  # one loop against eight vCPUs: 2/9 of a CPU by equal shares
        (65, 8, 1, "flag"),
    ],
)
def test_with_declared_neighbours_too_little_other_load_is_what_is_wrong(busy, vcpus, wanted, expected):
    host = over({**GOOD_HOST, "cpu.user_ticks": busy, "cpu.system_ticks": 0, "cpu.idle_ticks": 200 - busy})
    shares = vcpu_shares(over({**GOOD_VCPU, "vcpu.0.surplus_ns": 0}), 20.0, 80.0)
    others = tuple(shares[0].model_copy(update={"vcpu": n, "run": 0.0, "uncertainty": 0.0}) for n in range(1, vcpus))
    found, detail = state("other load", host=host, vcpus=vcpus, shares=(*shares, *others), neighbour_cpus=wanted)
    assert found == expected
    if wanted is not None:
        assert detail.startswith(
            "with the declared neighbours: " if expected == "ok" else "the declared neighbours hardly"
        )
