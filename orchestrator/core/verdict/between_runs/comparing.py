"""Each matched cell: its ratio with an interval, and one of four words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from orchestrator.core.verdict.between_runs.cell_differences import CellDifference, Level, bounds, differences, levels
from orchestrator.core.verdict.between_runs.estimates import BaseRuns, Mean, per_cpu_second, throughputs
from orchestrator.core.verdict.between_runs.matching import Match
from orchestrator.core.verdict.between_runs.more_blocks import more_in_both, more_in_new, more_runs
from orchestrator.core.verdict.between_runs.results import Change
from orchestrator.core.verdict.between_runs.side import Key, Side
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.comparison import margin_log, word
from orchestrator.core.verdict.inference.uncertainty import exp, mean_of


def changes(
    bases: Sequence[Side], new: Side, matches: Sequence[Match], *, margin: float, confidence: float
) -> tuple[Change, ...]:
    """How every matched cell changed, in the order of the matches.

    Args:
        bases: one run or more.
        new: the run that is set against them.
        matches: which cells belong together; each has a trial that counts on both sides.
        margin: the smallest relative difference that matters.
        confidence: of all cells together.
    """
    found = differences(bases, new, matches, throughputs)
    costs = differences(bases, new, matches, per_cpu_second)
    sure, sure_of_costs = levels(found, confidence), levels(costs, confidence)
    return tuple(
        _change(bases, new, each, found[each.new.key], sure[each.new.key], margin, confidence).model_copy(
            update=_cpu(each.new.key, costs, sure_of_costs)
        )
        for each in matches
    )


def _change(  # noqa: PLR0913, PLR0917 - what one line of the comparison is made of
    bases: Sequence[Side],
    new: Side,
    each: Match,
    found: CellDifference,
    level: Level,
    margin: float,
    confidence: float,
) -> Change:
    interval, own = bounds(found.estimate, level), found.estimate.interval(min(level.confidence, level.equal_alone))
    verdict = word(interval, margin, found.estimate.interval(level.equal))
    mine = new.cells[each.new.key].estimate(confidence)
    theirs = [bases[number].cells[cell.key] for number, cell in each.base]
    per_s, low, high = _base_rate(theirs, found.base, confidence)
    more = _more(found, margin_log(margin), level) if verdict == "undecided" else {}
    corrected = "none" if level.family == 1 else "Bonferroni" if level.step is None else "Holm, stepwise"
    return Change(
        cell=each.new.id,
        base_cell=each.base[0][1].id,
        shape=each.new.shape,
        vcpus=each.new.vcpus,
        memory=each.new.memory,
        workload=each.new.workload,
        threads=each.new.threads,
        matched_by=each.by,
        base_trials=found.base.trials,
        new_trials=mine.trials,
        base_per_s=per_s,
        base_low=low,
        base_high=high,
        new_per_s=mine.throughput_per_s,
        new_low=mine.low,
        new_high=mine.high,
        ratio=_ratio(found, per_s, mine.throughput_per_s),
        low=exp(interval[0]) if interval else None,
        high=exp(interval[1]) if interval else None,
        verdict=verdict,
        not_worse=verdict in {"equivalent", "faster"} or (own is not None and own[0] > -margin_log(margin)),
        worst=exp(own[0]) if own else None,
        p=level.p,
        p_holm=level.p_holm,
        confidence_alone=None if level.p is None else level.confidence,
        correction=corrected,
        more_blocks=more.get("both"),
        more_blocks_new=more.get("new"),
        more_base_runs=more.get("runs"),
        remarks=each.remarks,
    )


def _ratio(found: CellDifference, base_per_s: float, new_per_s: float) -> float:
    """Single readings are divided as they are, so that 1470 against 2400 is 0.6125 to the last digit."""
    single = found.base.trials == found.new.trials == 1
    plain = new_per_s / base_per_s if single else 0.0
    return plain if 0 < plain < math.inf else exp(found.estimate.value)


def _base_rate(
    cells: Sequence[CellReadings], base: Mean | BaseRuns, confidence: float
) -> tuple[float, float | None, float | None]:
    """The base's throughput with its interval: over trials, as the run's own table has it, or over runs."""
    if isinstance(base, Mean):
        estimate = cells[0].estimate(confidence)
        return estimate.throughput_per_s, estimate.low, estimate.high
    over_runs = mean_of([mean.value for mean in base.means])
    ends = over_runs.interval(confidence)
    return exp(over_runs.value), exp(ends[0]) if ends else None, exp(ends[1]) if ends else None


def _more(found: CellDifference, bound: float, level: Level) -> dict[str, int | None]:
    """What would decide an undecided cell."""
    asked = (bound, level.confidence, level.equal)
    if isinstance(found.base, BaseRuns):
        return {"runs": more_runs(found.base, found.new, *asked)}
    return {
        "both": more_in_both(found.base, found.new, *asked),
        "new": more_in_new(found.base, found.new, *asked),
    }


def _cpu(key: Key, costs: Mapping[Key, CellDifference], sure: Mapping[Key, Level]) -> dict[str, float | None]:
    """Operations per CPU second; part of no word."""
    if (found := costs.get(key)) is None:
        return {}
    interval = found.estimate.interval(sure[key].confidence)
    return {
        "cpu_ratio": exp(found.estimate.value),
        "cpu_low": exp(interval[0]) if interval else None,
        "cpu_high": exp(interval[1]) if interval else None,
        "base_per_cpu_s": exp(found.base.value),
        "new_per_cpu_s": exp(found.new.value),
    }
