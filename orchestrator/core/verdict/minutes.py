"""What time buys, in plain sentences: differences that trials can show, and more trials against longer ones.

How minutes are best spent follows Kalibera & Jones 2013 (:mod:`~orchestrator.core.verdict.inference.levels`). Before a
run the scatter between trials is not known, and an assumed one is named as such; after it the run's own is used.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from scipy.optimize import brentq
from scipy.special import ndtri, stdtrit

from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.trials import Cell, cells
from orchestrator.core.measure.results import Interval, Record
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.comparison import margin_log
from orchestrator.core.verdict.inference.components import Component, beyond_seconds, components
from orchestrator.core.verdict.inference.levels import Advice, Spending, advice
from orchestrator.core.verdict.inference.power import POWER, chance_beyond
from orchestrator.core.verdict.inference.uncertainty import Scatter
from orchestrator.core.verdict.rule import COMMON_PRACTICE, Rule
from orchestrator.core.verdict.words import capital, count
from orchestrator.units import format_duration, format_percent

#: What trials of one cell scatter by before anything is known of them; usual are 0.3 to 3 % (common practice, no
#: published source).
USUAL_SCATTER = 0.01
#: Below this share of the scatter, the seconds within a trial are not what makes trials differ.
_HARDLY = 0.2


class TimeUse(Record):
    """How the time of a run was spent on one workload, and how it would be spent best.

    Attributes:
        scatter: standard deviation between trials of a cell, relative, blocks left out.
        from_seconds: share of its variance that comes from the seconds within a trial.
        overhead_s, window_s: seconds of a trial outside and inside its steady window, on average.
        trials_now, minutes_now: trials of each of two cells, and minutes for both, that tell a difference of the margin
            with 90 % power and windows as they are; ``None`` when more than a plan holds.
        window_best_s, trials_best, minutes_best: the same for the window that needs the least time.
        sentences: all of it in words.
    """

    workload: str
    scatter: float
    from_seconds: float
    overhead_s: float
    window_s: float
    trials_now: int | None
    minutes_now: float | None
    window_best_s: float
    trials_best: int | None
    minutes_best: float | None
    sentences: tuple[str, ...]


def smallest_difference(scatter: Scatter, blocks: int, confidence: float) -> float | None:
    """The relative difference that a comparison over ``blocks`` blocks shows with 90 % power; ``None`` above 100 %."""
    if blocks < 2:
        return None

    def lack(gap: float) -> float:
        return POWER - chance_beyond(gap, scatter, blocks, confidence)

    if lack(math.log(2)) > 0:
        return None
    return math.expm1(float(brentq(lack, 0.0, math.log(2), xtol=1e-6)))


def planned_time(plan: Plan, switch: Switch) -> tuple[str, ...]:
    """What the time of a plan buys, as far as its numbers tell; two sentences at most.

    A trial counts as known within ``until-within`` after ``steady.at-least``, and as quick to settle.
    """
    rules, decide, design = plan.measure, plan.decide, plan.design
    chosen = cells(plan)
    confidence = _corrected(decide.confidence, chosen)
    within = (rules.steady.until_within / float(ndtri(0.5 + decide.confidence / 2))) ** 2
    per_block = max(1.0, float(_most_cells(chosen) - 1))
    sd = math.sqrt(2 * (USUAL_SCATTER**2 + within))
    found = {
        blocks: smallest_difference(Scatter(sd, per_block), blocks, confidence)
        for blocks in sorted({design.least_blocks, design.most_blocks})
    }
    known = {blocks: format_percent(smallest) for blocks, smallest in found.items() if smallest is not None}
    told = [f"{count(n, 'block')}{' show differences' * (n == min(known))} from {s} on" for n, s in known.items()]
    if not told or len({cell.shape.name for cell in chosen}) < 2:
        return ()
    first = (
        f"{capital(', '.join(told))} ({format_percent(POWER)} power), if trials of a cell scatter by "
        f"{format_percent(USUAL_SCATTER)} ({COMMON_PRACTICE}); the margin is {format_percent(decide.margin)}."
    )
    way = advice(
        within=within * rules.steady.at_least,
        between=USUAL_SCATTER**2,
        overhead_s=rules.warm_up.at_least + switch.least_s,
        window_s=rules.steady.at_least,
        target=margin_log(decide.margin),
        confidence=confidence,
        df_per_block=per_block,
    )
    return (first, *_ways(way, decide.margin))


def spent_time(trials: Sequence[TrialRecord], rule: Rule) -> tuple[TimeUse, ...]:
    """How the time of a run was spent, from its own variances: for each workload with enough trials.

    Args:
        trials: those that ended, in any order.
        rule: the run's margin and confidence.
    """
    ordered = sorted(trials, key=lambda trial: (trial.workload, trial.threads, trial.shape, trial.block))
    found = (
        _spent(workload, list(group), rule) for workload, group in groupby(ordered, key=lambda trial: trial.workload)
    )
    return tuple(use for use in found if use is not None)


def _spent(workload: str, trials: Sequence[TrialRecord], rule: Rule) -> TimeUse | None:
    kept = [
        (trial, interval, window) for trial in trials if (interval := _mean(trial)) and (window := _window_s(trial))
    ]
    logs = [
        {trial.block: math.log(interval.mean) for trial, interval, _ in group}
        for _, group in groupby(kept, key=lambda entry: (entry[0].threads, entry[0].shape))
    ]
    parts = components(logs) if len(logs) > 1 else None
    errors = [(error, window) for _, interval, window in kept if (error := _error(interval, rule)) is not None]
    if parts is None or not errors or len({trial.shape for trial, *_ in kept}) < 2:
        return None
    overhead_s = _average([_spent_s(trial) - window for trial, _, window in kept])
    window_s = _average([window for *_, window in kept])
    if overhead_s <= 0:
        return None
    beyond = beyond_seconds(Component(parts.trial.variance), [error for error, _ in errors])
    way = advice(
        within=_average([error**2 * window for error, window in errors]),
        between=beyond.variance,
        overhead_s=overhead_s,
        window_s=window_s,
        target=margin_log(rule.margin),
        confidence=_joint(rule.confidence, len(logs)),
        df_per_block=float(len(logs) - 1),
    )
    return TimeUse(
        workload=workload,
        scatter=parts.trial.sd,
        from_seconds=way.from_seconds,
        overhead_s=overhead_s,
        window_s=window_s,
        trials_now=way.now.trials,
        minutes_now=way.now.minutes,
        window_best_s=way.best.window_s,
        trials_best=way.best.trials,
        minutes_best=way.best.minutes,
        sentences=(_where_from(parts.trial.sd, way.from_seconds, workload), *_ways(way, rule.margin)),
    )


def _where_from(scatter: float, from_seconds: float, workload: str) -> str:
    start = f"Trials of one cell of {workload} scatter by {format_percent(scatter, 2)}"
    share = format_percent(min(1.0, from_seconds), 0)
    if share == format_percent(1.0, 0):
        return f"{start}, no more than the seconds within a trial account for."
    rest = "longer trials would hardly help" if from_seconds < _HARDLY else "the rest from one trial to the next"
    joint = ", so" if from_seconds < _HARDLY else ","
    return f"{start}; {share} of that variance comes from the seconds within a trial{joint} {rest}."


def _ways(way: Advice, margin: float) -> Iterator[str]:
    """What telling a difference of the margin costs as things are, and what it would cost at best."""
    start = f"To tell two shapes {format_percent(margin)} apart with {format_percent(POWER)} power"
    if way.now.trials is None and way.best.trials is None:
        yield f"{start} more trials are needed than a plan holds; set a wider margin."
        return
    best = _way(way.best)
    if way.longer is None:
        yield f"{start} takes {_way(way.now)}; no other length of trial is worth the change."
        return
    now = "is out of reach" if way.now.trials is None else f"takes {_way(way.now)}"
    yield f"{start} {now}; {'longer' if way.longer else 'shorter'} trials do it sooner: {best}."


def _way(way: Spending) -> str:
    return (
        f"{count(way.trials or 0, 'trial')} of each with {format_duration(way.window_s)} measured, "
        f"{format_duration((way.minutes or 0.0) * 60)} for both"
    )


def _mean(trial: TrialRecord) -> Interval | None:
    summary = trial.summary
    if trial.outcome != "measured" or summary is None or summary.throughput is None or summary.throughput.mean <= 0:
        return None
    return summary.throughput


def _window_s(trial: TrialRecord) -> float | None:
    window = trial.summary.window if trial.summary is not None else None
    return window.end_s - window.start_s if window is not None and window.end_s > window.start_s else None


def _spent_s(trial: TrialRecord) -> float:
    return math.fsum(stage.seconds for stage in trial.stages)


def _error(interval: Interval, rule: Rule) -> float | None:
    """Relative standard error of a trial's mean, from half the width of its interval."""
    if interval.low is None or interval.high is None:
        return None
    freedom: float | None = getattr(interval, "freedom", None)
    half = (interval.high - interval.low) / 2
    level = 0.5 + rule.confidence / 2
    return half / float(ndtri(level) if freedom is None else stdtrit(freedom, level)) / interval.mean


def _average(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _corrected(confidence: float, chosen: Sequence[Cell]) -> float:
    return _joint(confidence, _most_cells(chosen))


def _most_cells(chosen: Sequence[Cell]) -> int:
    """Cells of the workload that has the most."""
    sizes: Mapping[str, int] = {
        c.workload.name: sum(o.workload.name == c.workload.name for o in chosen) for c in chosen
    }
    return max(sizes.values(), default=0)


def _joint(confidence: float, number_of_cells: int) -> float:
    """Of one interval, so that those of all cells against the best hold together (Dunn 1961): near to the verdict's."""
    return 1 - (1 - confidence) / max(1, number_of_cells - 1)
