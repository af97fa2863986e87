"""One trial watched while it runs, scored against the truth: early stops, and "steady now" online."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from series import EXTRAS, FAMILIES, WARM_UPS, Truth, series
from table import Figure, show_figures, show_places, show_rows

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.mean import relative_half_width
from orchestrator.core.measure.results import Interval
from orchestrator.core.measure.samples import Reading, Throughput
from orchestrator.core.measure.throughput import throughput
from orchestrator.core.measure.watch import Enough, GaveUp, State, Warming, watch
from orchestrator.core.measure.window import SteadyWindow, steady_window

CAP_S = 600
TARGET = 0.01
CONFIDENCE = 0.95
LOOK_AGAIN_AFTER = 0.05
"""As the engine looks (``engine.observation``)."""
PLAN = Measure.model_validate(
    {
        "every": "1 s",
        "warm-up": {"at-least": "10 s", "at-most": "5 min"},
        "steady": {"at-least": "60 s", "at-most": "10 min", "until-within": "1 %"},
    }
)
"""Whatever it allows, the trial ends at the cap."""
ORACLE = 1.959964
STREAM = 1000
"""Keeps these series apart from the whole ones of the same seed."""


@dataclass(frozen=True)
class Stop:
    """How one trial ended.

    Attributes:
        index: within its family.
        truth: of the series.
        time_s: from launch to the end.
        interval: the last one; ``None`` where the trial was given up or never became steady.
        reached: whether its half-width is within the target.
        steady_now_s: when the trial was first called steady; ``None`` if never.
        started_early: whether the window that was then announced began before the first safe second.
    """

    index: int
    truth: Truth
    time_s: float
    interval: Interval | None
    reached: bool
    steady_now_s: float | None
    started_early: bool

    @property
    def error(self) -> float | None:
        """Relative error of the mean; ``None`` where there is none.

        What the cap has cut off before the target was reached is an answer as well: the engine keeps it as measured,
        with an interval that says how wide it is.
        """
        if self.interval is None or self.truth.mean is None:
            return None
        return abs(self.interval.mean / self.truth.mean - 1)

    @property
    def unseen(self) -> bool:
        """Whether the warm-up ended in a step that came only after the trial was stopped: nobody can see that."""
        return self.truth.warm_up == "step" and self.truth.end is not None and self.time_s <= self.truth.end

    @property
    def hopeless(self) -> bool:
        """Whether the target is out of reach before the cap even for one who knows the truth."""
        truth = self.truth
        if truth.end is None or truth.mean is None or truth.sd_of_mean is None:
            return False
        return ORACLE * truth.sd_of_mean(CAP_S - truth.end) > TARGET * truth.mean

    @property
    def covered(self) -> bool | None:
        """Whether the interval holds the true mean."""
        if self.error is None or self.interval is None or self.truth.mean is None:
            return None
        low, high = self.interval.low, self.interval.high
        return low is not None and high is not None and low <= self.truth.mean <= high


def drawn(seed: int, family: str, index: int) -> tuple[NDArray[np.float64], Truth]:
    """The series of that number, as long as the cap."""
    return series(np.random.default_rng([seed, STREAM + FAMILIES.index(family), index]), family, CAP_S)


def stops(seed: int, count: int) -> Iterator[Stop]:
    """Steady families in equal parts."""
    families = (*WARM_UPS, *EXTRAS)
    for family in families:
        for index in range(max(round(count / len(families)), 1)):
            yield stopped(index, *drawn(seed, family, index))


def stopped(index: int, values: NDArray[np.float64], truth: Truth) -> Stop:
    """Watch a trial as the engine does, to its end."""
    whole = _read(values)
    steady_now_s: float | None = None
    started_early = False
    for now_s, state in looks(whole):
        if isinstance(state, GaveUp):
            return Stop(index, truth, now_s, None, False, steady_now_s, started_early)
        if isinstance(state, Warming):
            continue
        if steady_now_s is None:
            steady_now_s = now_s
            started_early = truth.end is not None and state.window.start_s < truth.end
        if isinstance(state, Enough):
            return Stop(index, truth, now_s, state.interval, _within(state.interval), steady_now_s, started_early)
    found = steady_window(whole, launched_s=0.0, rules=PLAN, confidence=CONFIDENCE)
    interval = found.interval if isinstance(found, SteadyWindow) else None
    reached = interval is not None and _within(interval)
    return Stop(index, truth, CAP_S, interval, reached, steady_now_s, started_early)


def looks(whole: Throughput) -> Iterator[tuple[int, State]]:
    """Each look up to the cap, and what it finds."""
    ends = np.asarray(whole.time_s)
    next_look_s = 0.0
    for now_s in range(1, CAP_S + 1):
        if now_s >= next_look_s or now_s == CAP_S:
            next_look_s = now_s * (1 + LOOK_AGAIN_AFTER)
            so_far = _first(whole, int(np.searchsorted(ends, now_s, side="right")))
            yield now_s, watch(so_far, 0.0, PLAN, CONFIDENCE, float(now_s))


def show_one(seed: int, family: str, index: int) -> None:
    """Print one series, its truth and each look."""
    values, truth = drawn(seed, family, index)
    print("\n".join(f"{second},{value:.10g}" for second, value in enumerate(values.tolist())))
    print(f"# truth: {truth}")
    for now_s, state in looks(_read(values)):
        print(f"# {now_s} s: {state}")
        if isinstance(state, Enough | GaveUp):
            break
    print(f"# stop: {stopped(index, values, truth)}")


def _read(values: NDArray[np.float64]) -> Throughput:
    readings = [Reading(second + 1.0, value) for second, value in enumerate(values.tolist())]
    return throughput(readings, "rate")


def _first(whole: Throughput, count: int) -> Throughput:
    return Throughput(whole.time_s[:count], whole.width_s[:count], whole.rate[:count])


def _within(interval: Interval) -> bool:
    width = relative_half_width(interval)
    return width is not None and width <= TARGET


def _percent(hits: Sequence[bool]) -> float | None:
    return 100 * sum(hits) / len(hits) if hits else None


def figures(found: Sequence[Stop]) -> tuple[list[Figure], list[Figure]]:
    """Two tables: early stops, and "steady now"."""
    errors = [one.error for one in found if one.error is not None]
    seen = [one.error for one in found if one.error is not None and not one.unseen]
    precise = [one.error for one in found if one.error is not None and one.reached]
    stop = [
        Figure("error <= 1 %", _percent([error <= TARGET for error in errors]), 97),
        Figure("error <= 2 %", _percent([error <= 2 * TARGET for error in errors]), 99.5),
        Figure("  without steps that came after the stop: <= 1 %", _percent([error <= TARGET for error in seen])),
        Figure("  without steps that came after the stop: <= 2 %", _percent([error <= 2 * TARGET for error in seen])),
        Figure("  of those that reached the target: <= 1 %", _percent([error <= TARGET for error in precise])),
        Figure("  of those that reached the target: <= 2 %", _percent([error <= 2 * TARGET for error in precise])),
        Figure("coverage of nominal 95 %", _percent([one.covered for one in found if one.covered is not None]), 94),
        Figure("time / fixed, mean", float(np.mean([one.time_s for one in found])) / CAP_S, None, 0.5, "", 2),
        Figure("  median", float(np.median([one.time_s for one in found])) / CAP_S, unit="", digits=2),
        Figure("refused (given up, or not steady at the cap)", _percent([one.error is None for one in found]), None, 4),
        Figure("ended by the cap before the target", _percent([_unfinished(one) for one in found])),
        Figure("  so would one who knows the truth", _percent([one.hopeless for one in found])),
    ]
    warm = [one for one in found if one.truth.end and one.steady_now_s is not None]
    said = [one for one in found if one.steady_now_s is not None]
    late = [one.steady_now_s - (one.truth.end or 0) for one in said if one.steady_now_s is not None and not _hasty(one)]
    now = [
        Figure("premature (while the warm-up is more than 1 % away)", _percent([_hasty(one) for one in warm]), None, 5),
        Figure(
            "  without warm-ups that are a step", _percent([_hasty(one) for one in warm if one.truth.warm_up != "step"])
        ),
        Figure("  over all series, those without a warm-up too", _percent([_hasty(one) for one in said])),
        Figure("  the window announced begins too early", _percent([one.started_early for one in warm])),
        Figure("latency, median", float(np.median(late)) if late else None, None, 100, "s", 0),
        Figure("  90th percentile", float(np.quantile(late, 0.9)) if late else None, unit="s", digits=0),
        Figure("never said", _percent([one.steady_now_s is None for one in found])),
    ]
    return stop, now


def _unfinished(one: Stop) -> bool:
    return one.interval is not None and not one.reached


def _hasty(one: Stop) -> bool:
    return one.steady_now_s is not None and one.truth.end is not None and one.steady_now_s < one.truth.end


def show(seed: int, count: int) -> None:
    """Print the tables."""
    found = list(stops(seed, count))
    stop, now = figures(found)
    show_figures(f"Early stop at ±{TARGET:.0%}, cap {CAP_S} s: {len(found)} steady series, seed {seed}", stop)
    show_figures('Online, "steady now": the first look that calls the trial steady', now)
    print()
    header = ("family", "n", *SHOWN.values(), "")
    rows = []
    names = [*dict.fromkeys(one.truth.family for one in found), *dict.fromkeys(one.truth.noise for one in found)]
    for name in names:
        members = [one for one in found if name in {one.truth.family, one.truth.noise}]
        named = {one.name.strip(): one for table in figures(members) for one in table}
        cells = ["" if named[name].value is None else f"{named[name].value:.{named[name].digits}f}" for name in SHOWN]
        rows.append((name, str(len(members)), *cells, ""))
    show_rows(header, rows)
    print("\n## Failures of early stops, by index: --watched --show FAMILY INDEX\n")
    for failure, failed in FAILURES.items():
        show_places(failure, [(one.truth.family, one.index) for one in found if failed(one)])


SHOWN = {
    "error <= 1 %": "<= 1 %",
    "error <= 2 %": "<= 2 %",
    "coverage of nominal 95 %": "coverage %",
    "time / fixed, mean": "time",
    "refused (given up, or not steady at the cap)": "refused %",
    "ended by the cap before the target": "capped %",
    "premature (while the warm-up is more than 1 % away)": "premature %",
    "latency, median": "latency s",
}
"""Figures that the table per family repeats, with their column."""

FAILURES: dict[str, Callable[[Stop], bool]] = {
    "error > 2 %": lambda one: one.error is not None and one.error > 2 * TARGET,
    "error 1 to 2 %": lambda one: one.error is not None and TARGET < one.error <= 2 * TARGET,
    "not covered": lambda one: one.covered is False,
    "refused": lambda one: one.error is None,
    "capped": lambda one: _unfinished(one) and not one.hopeless,
    "premature": _hasty,
}
