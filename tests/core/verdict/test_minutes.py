"""What time buys: against SciPy's noncentral t, simulated experiments, and by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.stats

from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import Switch
from orchestrator.core.measure.results import Interval, TrialSummary, Window
from orchestrator.core.record.trial import StageTime, TrialRecord
from orchestrator.core.verdict.inference.uncertainty import Scatter
from orchestrator.core.verdict.minutes import planned_time, smallest_difference, spent_time
from orchestrator.core.verdict.rule import Rule

WINDOW_S = 120.0
OVERHEAD_S = 60.0


def run(between: float, within: float, blocks: int = 8, seed: int = 1, cells: int = 4) -> list[TrialRecord]:
    """Trials whose log means scatter by ``between``, each known within ``within`` (standard errors, relative)."""
    rng = np.random.default_rng(seed)
    found = []
    for number, (block, cell) in enumerate(itertools.product(range(1, blocks + 1), range(cells)), start=1):
        shape, threads = ("one", "two")[cell % 2], 1 + cell // 2
        mean = 1000 * (1 + cell) * math.exp(rng.normal(0, math.hypot(between, within)))
        half = 1.959964 * within * mean
        summary = TrialSummary(
            steady=True,
            reason="steady",
            window=Window(start_s=30.0, end_s=30.0 + WINDOW_S),
            throughput=Interval(mean=mean, low=mean - half, high=mean + half),
            vcpus=(),
            cpu_seconds_per_operation=None,
            host_busy=None,
            guest_steal=None,
            checks=(),
        )
        found.append(
            TrialRecord(
                id=f"{number:04d}",
                number=number,
                block=block,
                shape=shape,
                workload="bookings",
                threads=threads,
                outcome="measured",
                reason="precise enough",
                started_utc="",
                ended_utc="",
                launched_monotonic_s=0.0,
                stages=(
                    StageTime(stage="start", seconds=OVERHEAD_S, attempts=1),
                    StageTime(stage="measure", seconds=WINDOW_S, attempts=1),
                ),
                clocks=(),
                workload_sha256={},
                seen_inside={},
                summary=summary,
            )
        )
    return found


def plan(**changed: object) -> Plan:
    declared: dict[str, object] = {
        "title": "How many vCPUs?",
        "lab": "lab.yaml",
        "guest": "bookings-1",
        "shapes": [{"name": "one", "vcpus": 1, "memory": "1 GiB"}, {"name": "two", "vcpus": 2, "memory": "1 GiB"}],
        "workloads": [{"name": "bookings", "use": "bookings", "threads": [1, 2]}],
    }
    return Plan.model_validate(declared | changed)


@pytest.mark.parametrize(("blocks", "sd"), [(3, 0.01), (5, 0.02), (12, 0.005)])
def test_the_smallest_difference_is_found_nine_times_in_ten(blocks: int, sd: float) -> None:
    """Power of Student's t by SciPy's noncentral t distribution (Johnson & Welch 1940)."""
    found = smallest_difference(Scatter(sd, 1.0), blocks, 0.95)
    assert found is not None
    shift = math.log1p(found) * math.sqrt(blocks) / sd
    limit = scipy.stats.t.ppf(0.975, blocks - 1)
    assert scipy.stats.nct.sf(limit, blocks - 1, shift) == pytest.approx(0.9, abs=1e-3)


def test_the_smallest_difference_is_found_in_simulated_experiments() -> None:
    blocks, sd = 5, 0.01
    found = smallest_difference(Scatter(sd, 1.0), blocks, 0.95)
    assert found is not None
    rng = np.random.default_rng(5)
    differences = rng.normal(math.log1p(found), sd, (20_000, blocks))
    t = differences.mean(axis=1) / (differences.std(axis=1, ddof=1) / math.sqrt(blocks))
    assert float((t > scipy.stats.t.ppf(0.975, blocks - 1)).mean()) == pytest.approx(0.9, abs=0.01)


def test_one_block_or_too_much_scatter_shows_nothing() -> None:
    assert smallest_difference(Scatter(0.01, 1.0), 1, 0.95) is None
    assert smallest_difference(Scatter(2.0, 1.0), 3, 0.95) is None


def test_a_run_tells_its_own_scatter_and_where_it_comes_from() -> None:
    (use,) = spent_time(run(between=0.01, within=0.001, blocks=40), Rule())
    assert use.scatter == pytest.approx(0.01, rel=0.15)
    assert use.from_seconds == pytest.approx(0.01, abs=0.01)
    assert (use.overhead_s, use.window_s) == (OVERHEAD_S, WINDOW_S)
    assert "longer trials would hardly help" in use.sentences[0]


def test_where_seconds_make_the_scatter_longer_trials_are_advised() -> None:
    """By hand: without scatter between trials all the time may be spent within one, so switching is worth nothing."""
    (use,) = spent_time(run(between=0.0005, within=0.03, blocks=8), Rule())
    assert use.from_seconds > 0.7
    assert use.window_best_s > WINDOW_S
    assert "longer trials do it sooner" in use.sentences[1]
    assert use.minutes_now is not None
    assert use.minutes_best is not None
    assert use.minutes_best < use.minutes_now


def test_minutes_are_trials_of_both_cells_times_what_a_trial_takes() -> None:
    (use,) = spent_time(run(between=0.01, within=0.002), Rule())
    assert use.trials_now is not None
    assert use.minutes_now == pytest.approx(2 * use.trials_now * (OVERHEAD_S + WINDOW_S) / 60)


def test_a_run_that_cannot_tell_gives_no_advice() -> None:
    assert spent_time((), Rule()) == ()
    assert spent_time(run(0.01, 0.002, blocks=1), Rule()) == ()
    assert spent_time(run(0.01, 0.002, cells=1), Rule()) == ()
    no_bounds = [
        trial.model_copy(
            update={
                "summary": trial.summary.model_copy(update={"throughput": Interval(mean=1.0, low=None, high=None)})
                if trial.summary
                else None
            }
        )
        for trial in run(0.01, 0.002)
    ]
    assert spent_time(no_bounds, Rule()) == ()


def test_scatter_that_the_seconds_explain_is_said_to_be_that() -> None:
    (use,) = spent_time(run(between=0.0, within=0.03, seed=1), Rule())
    assert use.from_seconds >= 0.995
    assert use.sentences[0].endswith(", no more than the seconds within a trial account for.")


def test_a_plan_tells_what_its_blocks_and_its_minutes_buy() -> None:
    first, second = planned_time(
        plan(design={"blocks": {"at-least": 3, "at-most": 12, "until": "decided"}}), Switch(10, 60)
    )
    assert first.startswith("Three blocks show differences from ")
    assert ", twelve blocks from " in first
    assert "if trials of a cell scatter by 1 % (common practice, no published source); the margin is 3 %." in first
    assert second.startswith("To tell two shapes 3 % apart with 90 % power takes ")
    few, many = (float(part.split(" % on")[0].split()[-1]) for part in first.split(",")[:2])
    assert few > many


def test_a_plan_that_compares_nothing_is_promised_nothing() -> None:
    assert planned_time(plan(design={"blocks": 1}), Switch(10, 60)) == ()
    one = [{"name": "one", "vcpus": 1, "memory": "1 GiB"}]
    assert planned_time(plan(shapes=one), Switch(10, 60)) == ()
