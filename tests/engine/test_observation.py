"""One workload under observation, in virtual time: patience with slow workloads, missed moments, bounded memory."""

from __future__ import annotations

import itertools

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.design.trials import cells
from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.observation import Channels, Observation
from orchestrator.engine.ports import MAX_LINE, Clock, Line
from orchestrator.errors import WorkloadFault


class Printing:
    """A process that prints the texts given, each at its time; it never ends by itself."""

    def __init__(self, clock: Clock, texts: list[tuple[float, str]]) -> None:
        self._clock, self._texts = clock, texts

    def _due(self, by_s: float) -> list[Line]:
        due = [Line(text, at_s) for at_s, text in self._texts if at_s <= by_s]
        self._texts = [(at_s, text) for at_s, text in self._texts if at_s > by_s]
        return due

    def lines(self) -> list[Line]:
        return self._due(self._clock.monotonic())

    def wait_line(self, timeout_s: float) -> Line | None:
        next_s = min((at_s for at_s, _ in self._texts), default=float("inf"))
        wait_s = min(max(next_s - self._clock.monotonic(), 0.0), timeout_s)
        self._clock.sleep(wait_s)
        first, *rest = self._due(self._clock.monotonic()) or [None]
        self._texts = [(line.arrived_s, line.text) for line in rest if line is not None] + self._texts
        return first

    def write(self, text: str) -> None:
        raise AssertionError(f"nobody writes to a load: {text!r}")

    def ended(self) -> int | None:
        return None

    def errors(self) -> str:
        return ""

    def stop(self, timeout_s: float) -> int | None:
        raise AssertionError(f"nobody stops it here (in {timeout_s} s)")


class Sampling:
    """A sampler whose answers take the times given, then no time."""

    method = "python"

    def __init__(self, clock: Clock, takes_s: list[float]) -> None:
        self._clock, self._takes_s = clock, takes_s

    def sample(self) -> Sample:
        self._clock.sleep(self._takes_s.pop(0) if self._takes_s else 0.0)
        return Sample(self._clock.monotonic(), 0.0, int(self._clock.monotonic() * 1e9), {})

    def exchange(self) -> Exchange:
        raise AssertionError("clocks are not compared while a workload is observed")

    def close(self) -> None:
        raise AssertionError("whoever opened it closes it")


def observation(
    texts: list[tuple[float, str]],
    *,
    quiet_after: str = "15 s",
    takes_s: list[float] | None = None,
    warm_up_at_most: str = "1 min",
) -> tuple[Observation, Clock]:
    load = {"name": "own", "command": ["load", "{threads}"], "threads": [1], "quiet-after": quiet_after}
    reader = {"pattern": "(?P<value>[0-9.]+) done", "figure": "count"}
    rules = {"warm-up": {"at-least": "10 s", "at-most": warm_up_at_most}, "steady": {"at-least": "30 s"}}
    asked = plan(workloads=[load | {"reader": reader}], measure=rules)
    experiment = Experiment(asked, lab(boot="0 s", defined={"running": True}))
    clock = experiment.clock
    channels = Channels(
        Printing(clock, texts), Sampling(clock, takes_s or []), HostWatch(experiment.bench), offset=None
    )
    return Observation(asked, cells(asked)[0], experiment.bench, channels), clock


def test_a_workload_that_prints_seldom_has_the_time_that_the_plan_gives_it() -> None:
    texts = [(140.0, "1 done"), (280.0, "2 done")]
    watched, clock = observation(texts, quiet_after="150 s", warm_up_at_most="270 s")
    watched.begin()
    assert clock.monotonic() == pytest.approx(140.0)
    watched.warm_up()
    assert clock.monotonic() > 270.0, "it is given up for not being steady, and never taken for hung"


def test_a_workload_that_prints_nothing_for_longer_is_hung() -> None:
    watched, clock = observation([(151.0, "1 done")], quiet_after="150 s")
    with pytest.raises(WorkloadFault, match=r"no whole line within 2 min 30 s"):
        watched.begin()
    assert clock.monotonic() == pytest.approx(150.0, abs=0.01)


def test_silence_is_counted_from_the_last_figure_the_first_one_included() -> None:
    watched, clock = observation([(at, f"{at} done") for at in (14.0, 28.0)])
    watched.begin()
    with pytest.raises(WorkloadFault, match="no figure for"):
        watched.warm_up()
    assert clock.monotonic() == pytest.approx(28.0 + 15.0, abs=1.01)


@pytest.mark.parametrize(
    ("texts", "takes_s"),
    [
        ([(float(at), f"{at} done") for at in range(12, 200)], []),  # the first figure comes after 12 s
        ([(float(at), f"{at} done") for at in range(200)], [0.0, 0.0, 7.3]),  # an answer takes 7.3 s
    ],
)
def test_moments_that_were_missed_are_not_made_up_for_in_a_burst(
    texts: list[tuple[float, str]], takes_s: list[float]
) -> None:
    watched, _ = observation(texts, takes_s=takes_s)
    watched.begin()
    watched.warm_up()
    times = [sample.time_s for sample in watched.vcpu_samples]
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert sum(gap > 1.5 for gap in gaps) == 1, "the gap itself stays a gap"
    assert sum(gap < 0.9 for gap in gaps) <= 2, "one sample for all that was missed, then back to the moments planned"


def test_the_log_of_a_workload_gone_wild_is_bounded_and_says_so() -> None:
    flood = [(1.0 + second, "x" * MAX_LINE) for second in range(9) for _ in range(10)]
    figures = [(float(at), f"{at} done") for at in range(200)]
    watched, _ = observation(sorted(flood + figures))
    watched.begin()
    watched.warm_up()
    assert len(watched.log()) <= 4 * 2**20 + 1
    assert any("not kept in the log" in problem for problem in watched.problems())
