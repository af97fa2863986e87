"""Shares of time over time: they average to what the trial's summary says, and what is not known is never a number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.measure.results import Window
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.courses import Course, TrialCourse, trial_course
from orchestrator.engine.ports import TrialData
from orchestrator.units import NANOSECONDS_PER_SECOND

Simulated = tuple[StoredRun, list[tuple[TrialRecord, TrialData]]]


@pytest.fixture(scope="module")
def simulated() -> Simulated:
    """A run of eight trials whose host has one CPU, so that two vCPUs wait."""
    experiment = Experiment(plan(design={"blocks": 2, "seed": 7}), lab(cpus=1, gang=False))
    experiment.go()
    run = experiment.store.find("run-1")
    kept = experiment.store.kept["run-1"]
    return run, [(trial, kept.data[trial.id]) for trial in run.trials]


def mean_within(course: Course, window: Window) -> float:
    """The average over a window by the lengths of the intervals, or of their parts, that lie in it."""
    total = 0.0
    for end, width, share in zip(course.end_s, course.width_s, course.share, strict=True):
        overlap = min(end, window.end_s) - max(end - width, window.start_s)
        if overlap > 0:
            assert share is not None
            total += share * overlap
    return total / (window.end_s - window.start_s)


def of(courses: TrialCourse) -> dict[str, Course]:
    """The shares by what they are."""
    return {course.what: course for course in courses.shares}


def test_the_courses_average_to_the_shares_of_the_steady_window(simulated: Simulated) -> None:
    run, trials = simulated
    measured = [(trial, data) for trial, data in trials if trial.outcome == "measured"]
    assert len(measured) > 5
    for trial, data in measured:
        found, summary = of(trial_course(run, trial, data)), trial.summary
        assert summary is not None
        assert summary.window is not None
        for what in ("run", "wait", "idle"):
            stored = [getattr(vcpu, what) for vcpu in summary.vcpus]
            within = max(vcpu.uncertainty for vcpu in summary.vcpus)  # the window's ends lie between samples
            assert mean_within(found[what], summary.window) == pytest.approx(sum(stored) / len(stored), abs=within)
        assert summary.host_busy is not None
        assert summary.guest_steal is not None
        assert mean_within(found["host busy"], summary.window) == pytest.approx(summary.host_busy, abs=0.005)
        assert mean_within(found["steal"], summary.window) == pytest.approx(summary.guest_steal, abs=0.005)


def test_a_guest_with_too_few_cpus_is_seen_to_wait(simulated: Simulated) -> None:
    run, trials = simulated
    trial, data = next((t, d) for t, d in trials if t.shape == "two" and t.threads == 2)
    wait = of(trial_course(run, trial, data))["wait"]
    assert sum(share or 0 for share in wait.share) / len(wait.share) > 0.3


def test_throughput_and_shares_stand_on_one_axis_since_launch(simulated: Simulated) -> None:
    run, trials = simulated
    for trial, data in trials:
        found = trial_course(run, trial, data)
        end = found.throughput.time_s[-1]
        for course in found.shares:
            assert course.end_s[0] > 0
            assert course.end_s[-1] == pytest.approx(end, abs=5)
            assert all(width > 0 for width in course.width_s)


LAUNCHED = 1000.0


def samples(*values: Mapping[str, int | float]) -> list[Sample]:
    """A sample a second from the launch on."""
    return [Sample(LAUNCHED + second, 1e-4, 0, each) for second, each in enumerate(values)]


def course(
    simulated: Simulated,
    *,
    vcpu: Sequence[Sample] = (),
    host: Sequence[Sample] = (),
    guest: Sequence[Sample] = (),
    launched_s: float | None = LAUNCHED,
) -> dict[str, Course]:
    """The shares of a trial with the samples given."""
    run, trials = simulated
    trial = trials[0][0].model_copy(update={"launched_monotonic_s": launched_s})
    return of(trial_course(run, trial, TrialData((), host, guest, vcpu, "")))


def vcpus(run: Sequence[float], wait: Sequence[float] | None = None, number: int = 0) -> list[dict[str, int]]:
    """Counters in nanoseconds from their values in seconds."""
    read = [{f"vcpu.{number}.run_ns": int(value * NANOSECONDS_PER_SECOND)} for value in run]
    for each, value in zip(read, wait or (), strict=bool(wait)):
        each[f"vcpu.{number}.wait_ns"] = int(value * NANOSECONDS_PER_SECOND)
    return read


def test_what_neither_runs_nor_waits_is_idle(simulated: Simulated) -> None:
    found = course(simulated, vcpu=samples(*vcpus([5, 5.5, 6.5], [1, 1.25, 1.25])))
    assert found["run"].share == pytest.approx([0.5, 1.0])
    assert found["wait"].share == pytest.approx([0.25, 0.0])
    assert found["idle"].share == pytest.approx([0.25, 0.0])
    assert found["run"].end_s == [1.0, 2.0]
    assert found["run"].width_s == [1.0, 1.0]


def test_vcpus_are_averaged(simulated: Simulated) -> None:
    both = [a | b for a, b in zip(vcpus([0, 1, 2], [0, 0, 0]), vcpus([0, 0, 0.5], [0, 0.5, 1], 1), strict=True)]
    found = course(simulated, vcpu=samples(*both))
    assert found["run"].share == pytest.approx([0.5, 0.75])
    assert found["wait"].share == pytest.approx([0.25, 0.25])
    assert found["idle"].share == pytest.approx([0.25, 0.0])


def test_readings_that_are_a_little_behind_never_leave_idle_below_zero(simulated: Simulated) -> None:
    found = course(simulated, vcpu=samples(*vcpus([0, 0.9, 1.91], [0, 0.1, 0.1])))
    assert found["idle"].share == pytest.approx([0.0, 0.0])
    assert found["run"].share == pytest.approx([0.9, 1.01])


def test_without_a_wait_counter_neither_wait_nor_idle_is_told(simulated: Simulated) -> None:
    assert set(course(simulated, vcpu=samples(*vcpus([0, 0.5, 1])))) == {"run"}


def test_over_a_reset_nothing_is_known_and_the_rest_goes_on(simulated: Simulated) -> None:
    found = course(simulated, vcpu=samples(*vcpus([7, 7.5, 0.25, 1], [3, 3, 3.5, 3.5])))
    assert found["run"].share == [pytest.approx(0.5), None, pytest.approx(0.75)]
    assert found["wait"].share == pytest.approx([0, 0.5, 0])
    assert found["idle"].share == [pytest.approx(0.5), None, pytest.approx(0.25)]


def test_one_vcpu_that_is_not_known_leaves_the_mean_unknown(simulated: Simulated) -> None:
    both = [a | b for a, b in zip(vcpus([0, 1, 2], [0, 0, 0]), vcpus([0, 0, 0.5], [0, 0, 0], 1), strict=True)]
    del both[2]["vcpu.1.run_ns"]
    found = course(simulated, vcpu=samples(*both))
    assert found["run"].share == [pytest.approx(0.5), None]


def test_a_missing_sample_is_one_wide_interval(simulated: Simulated) -> None:
    read = samples(*vcpus([0, 1, 1.5, 2, 3], [0, 0, 0, 0, 0]))
    found = course(simulated, vcpu=[*read[:2], *read[3:]])
    assert found["run"].share == pytest.approx([1.0, 0.5, 1.0])
    assert found["run"].width_s == pytest.approx([1.0, 2.0, 1.0])


def test_what_was_over_before_the_launch_is_left_out(simulated: Simulated) -> None:
    read = samples(*vcpus([0, 1, 1.5, 2], [0, 0, 0, 0]))
    early = [replace(sample, time_s=sample.time_s - 1.25) for sample in read]
    found = course(simulated, vcpu=early)
    assert found["run"].end_s == pytest.approx([0.75, 1.75])
    assert found["run"].share == pytest.approx([0.5, 0.5])


#: /proc/stat's fields of one CPU: of 100 ticks 60 busy, 20 idle, 10 waiting for a disk, 10 stolen. ``guest`` lies
#: within ``user`` (Linux kernel documentation, filesystems/proc).
TICKS = {"user": 40, "nice": 5, "system": 10, "irq": 3, "softirq": 2, "idle": 20, "iowait": 10, "steal": 10}


def ticks(*times: int, without: str = "") -> list[dict[str, int]]:
    """The counters after so many such seconds."""
    fields = {field: amount for field, amount in (TICKS | {"guest": 39}).items() if field != without}
    return [{f"cpu.{field}_ticks": amount * seconds for field, amount in fields.items()} for seconds in times]


def test_a_host_is_busy_in_the_ticks_that_it_ran(simulated: Simulated) -> None:
    assert course(simulated, host=samples(*ticks(1, 2, 3)))["host busy"].share == pytest.approx([0.6, 0.6])


def test_a_guest_tells_what_was_stolen_from_it(simulated: Simulated) -> None:
    assert course(simulated, guest=samples(*ticks(1, 2, 3)))["steal"].share == pytest.approx([0.1, 0.1])


def test_a_kernel_that_does_not_tell_steal_has_no_course_of_it(simulated: Simulated) -> None:
    assert "steal" not in course(simulated, guest=samples(*ticks(1, 2, 3, without="steal")))


def test_a_host_that_started_again_is_not_known_in_between(simulated: Simulated) -> None:
    found = course(simulated, host=samples(*ticks(7, 8, 1, 2)))["host busy"]
    assert found.share == [pytest.approx(0.6), None, pytest.approx(0.6)]


def test_two_samples_within_a_tick_tell_nothing(simulated: Simulated) -> None:
    assert course(simulated, host=samples(*ticks(1, 1, 2)))["host busy"].share == [None, pytest.approx(0.6)]


@pytest.mark.parametrize("read", [[], samples(*vcpus([1])), samples({}, {})])
def test_without_two_samples_there_is_no_course(simulated: Simulated, read: list[Sample]) -> None:
    assert course(simulated, vcpu=read, host=read, guest=read) == {}


def test_a_trial_that_was_never_launched_has_no_shares(simulated: Simulated) -> None:
    assert course(simulated, vcpu=samples(*vcpus([0, 1, 2])), launched_s=None) == {}
