"""The last word on a trial: throughput and counters over one window, and what is said when there is none."""

from __future__ import annotations

import numpy as np
import pytest

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.samples import Reading, Throughput
from orchestrator.core.measure.summary import summarise
from orchestrator.core.measure.throughput import throughput
from orchestrator.core.measure.watch import Enough, watch
from orchestrator.testing.samples import growing

RULES = Measure.model_validate(
    {
        "every": "1 s",
        "warm-up": {"at-least": "5 s", "at-most": "1 min"},
        "steady": {"at-least": "30 s", "at-most": "2 min", "until-within": "2 %"},
    }
)
LAUNCHED_S = 5000.0
VCPU = {"vcpu.0.run_ns": 0.62e9, "vcpu.0.wait_ns": 0.10e9, "vcpu.1.run_ns": 0.08e9, "vcpu.1.wait_ns": 0.0}
HOST = {
    "cpu.user_ticks": 75,
    "cpu.system_ticks": 0,
    "cpu.idle_ticks": 125,
    "cpu.steal_ticks": 0,
    "cpu0.user_ticks": 40,
    "cpu1.user_ticks": 35,
}
GUEST = {"cpu.user_ticks": 70, "cpu.idle_ticks": 120, "cpu.steal_ticks": 10}


def reader_series(seconds=80, level=100.0, warm_s=4.0, seed=1) -> Throughput:
    """Counts printed once a second by a workload that warms up to ``level`` operations per second."""
    t = np.arange(1, seconds + 1)
    rates = level * (1 - 0.6 * np.exp(-t / warm_s)) * (1 + 0.005 * np.random.default_rng(seed).standard_normal(seconds))
    counts = np.concatenate([[0.0], np.cumsum(rates)])
    return throughput([Reading(LAUNCHED_S + place, float(count)) for place, count in enumerate(counts)], "count")


def summary(**changes):
    series = changes.pop("throughput", None) or reader_series()
    around = {"start_s": LAUNCHED_S - 2, "end_s": LAUNCHED_S + 82}
    given = {
        "throughput": series,
        "vcpu": growing(VCPU, **around),
        "host": growing(HOST, **around),
        "guest": growing(GUEST, **around),
        "launched_s": LAUNCHED_S,
        "rules": RULES,
        "confidence": 0.95,
        "vcpus": 2,
    }
    return summarise(**{**given, **changes})


def test_few_uneven_readings_make_a_measured_trial_that_is_to_be_looked_at():
    """Ten readings that are far from each other: nothing stands out as a drift, and little is known of their mean."""
    rates = np.array([40.0, 220.0, 35.0, 90.0, 300.0, 20.0, 55.0, 250.0, 30.0, 180.0])
    counts = np.concatenate([[0.0], np.cumsum(rates)])
    series = throughput([Reading(LAUNCHED_S + 5 * n, float(c)) for n, c in enumerate(counts)], "count")
    found = summary(throughput=series, rules=RULES.model_copy(update={"every": 5.0}))
    assert found.steady
    assert found.throughput.high > 1.5 * found.throughput.mean
    checks = {check.name: check for check in found.checks}
    assert checks["precision"].state == "flag"
    assert {check.name: check.state for check in summary().checks}["precision"] == "ok"


def test_known_truth_comes_out():
    found = summary()
    assert found.steady
    assert "steady from" in found.reason
    assert found.window is not None
    assert 5 <= found.window.start_s <= 40
    assert found.window.end_s == pytest.approx(80)
    assert found.throughput is not None
    assert found.throughput.mean == pytest.approx(100, rel=0.005)
    assert [(s.run, s.wait, s.idle) for s in found.vcpus] == [
        (pytest.approx(0.62), pytest.approx(0.10), pytest.approx(0.28)),
        (pytest.approx(0.08), pytest.approx(0.0), pytest.approx(0.92)),
    ]
    assert found.cpu_seconds_per_operation == pytest.approx(0.70 / 100, rel=0.01)
    assert found.host_busy == pytest.approx(0.375)
    assert found.guest_steal == pytest.approx(0.05)


def test_it_agrees_with_what_was_seen_while_the_trial_ran():
    for seconds in range(35, 130):
        series = reader_series(seconds)
        last = watch(series, LAUNCHED_S, RULES, 0.95, LAUNCHED_S + seconds)
        if isinstance(last, Enough):
            break
    assert isinstance(last, Enough)
    found = summary(throughput=series, vcpu=[], host=[], guest=[])
    assert (found.window, found.throughput) == (last.window, last.interval)


def test_counters_are_averaged_over_the_throughputs_own_window():
    """Shown to fail: a vCPU that was idle until the warm-up was over reads half as busy over the whole trial."""

    def run_ns(t: float) -> int:
        return round(max(t - LAUNCHED_S - 30, 0) * 1e9)

    samples = [
        type(s)(s.time_s, s.uncertainty_s, s.source_ns, {"vcpu.0.run_ns": run_ns(s.time_s), "vcpu.0.wait_ns": 0})
        for s in growing(VCPU, start_s=LAUNCHED_S - 2, end_s=LAUNCHED_S + 82)
    ]
    found = summary(vcpu=samples, vcpus=1)
    assert found.window is not None
    expected = (80 - max(30.0, found.window.start_s)) / (80 - found.window.start_s)
    assert found.vcpus[0].run == pytest.approx(expected, abs=0.02)
    assert abs(found.vcpus[0].run - 50 / 80) > 0.02


def test_a_counter_stream_that_ends_a_moment_early_shortens_the_window_a_little():
    short = growing(VCPU, start_s=LAUNCHED_S - 2, end_s=LAUNCHED_S + 79, every_s=1.0)
    found = summary(vcpu=short)
    assert found.window is not None
    assert found.window.end_s == pytest.approx(79)
    assert len(found.vcpus) == 2


def test_one_that_ends_much_too_early_gives_no_shares_and_says_so():
    found = summary(vcpu=growing(VCPU, start_s=LAUNCHED_S - 2, end_s=LAUNCHED_S + 40))
    assert found.window is not None
    assert found.window.end_s == pytest.approx(80)
    assert found.vcpus == ()
    assert found.cpu_seconds_per_operation is None
    assert {check.name: check.state for check in found.checks}["vcpu accounting"] == "unavailable"


def test_without_any_counters_there_is_still_a_throughput():
    found = summary(vcpu=[], host=[], guest=[])
    assert found.throughput is not None
    assert (found.vcpus, found.host_busy, found.guest_steal, found.cpu_seconds_per_operation) == ((), None, None, None)


def test_a_missing_vcpu_makes_the_cpu_time_per_operation_unknown():
    assert summary(vcpus=3).cpu_seconds_per_operation is None


def test_a_trial_that_never_was_steady_has_a_reason_and_no_mean():
    t = np.arange(1, 81)
    drifting = Throughput((LAUNCHED_S + t).tolist(), [1.0] * 80, (100 + t * 1.0).tolist())
    found = summary(throughput=drifting)
    assert not found.steady
    assert found.kind in {"drift", "unfinished warm-up"}  # a line of 80 seconds can be either
    assert "+47.6 %" in found.reason
    assert (found.window, found.throughput, found.vcpus) == (None, None, ())
    assert found.checks


@pytest.mark.parametrize("n", [0, 1, 7])
def test_a_trial_with_hardly_a_reading_is_no_error(n):
    found = summary(throughput=Throughput([LAUNCHED_S + i + 1 for i in range(n)], [1.0] * n, [5.0] * n))
    assert not found.steady
    assert {0: "no reading that is a number", 1: "only 1 reading;", 7: "only 7 readings;"}[n] in found.reason


def test_clocks_and_output_problems_reach_the_checks():
    clock = (Offset(1.0, 0.001, LAUNCHED_S, 9), Offset(1.5, 0.001, LAUNCHED_S + 80, 9))
    found = summary(clocks={"guest": clock}, output_problems=["a line of 10 MB was cut"])
    states = {check.name: check for check in found.checks}
    assert states["clock rate"].state == "flag"
    assert "10 MB" in states["workload output"].detail


def test_a_summary_survives_being_stored():
    found = summary()
    assert type(found).model_validate_json(found.model_dump_json()) == found
