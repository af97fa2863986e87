"""How far a cell of the new run is from the same cell in the base, on logarithms, with its standard error.

One run a side: the difference of the two means over trials, whose variances need not be equal (Welch 1947, with
Satterthwaite's degrees of freedom). Blocks of two runs are not pairs: they were not measured beside each other.

Several base runs: the readings are whole runs. The new run is one more of them where nothing has changed, so its mean
differs from theirs with a variance of ``S^2 (1 + 1 / R)`` and ``R - 1`` degrees of freedom, S^2 being that of the base
runs' means (the prediction interval of one further observation; Hahn & Meeker 1991, ch. 4, from memory). It holds what
varies between trials as well as what varies between runs: Kalibera & Jones' S^2 of the outermost level. Where the new
run has fewer trials than the base runs, what they lack is added; and the runs are never taken to vary less than their
own trials do.

Simulated (``tests/benchmarks/statistics runs --count 1000 --seed 7007``; 1 to 12 cells, 3 to 8 blocks, trials that
scatter by .3 to 3 %): one run a side errs in 2.7 % of comparisons (words of all cells together), all of its intervals
cover in 96.7 %. That holds where runs differ by their trials only: where they differ by .25, .5 and 1 % beyond these,
it errs in 3.6, 11.9 and 34 %. A base of 2, 4 and 8 runs that differ by 1 %, in half of the comparisons in some cells up
to 2.7 times as much as in others, errs in 1.4, 1.9 and 2.3 % and finds a change of 5 % in 19, 38 and 54 % of the cells;
where runs do not differ in 37, 69 and 83 %, one run a side in 74 %. Runs that end once
they decide about their own shapes err in .3, 4.4 and 6.3 % at scatters of .5, 1 and 2 % (``--count 3000 --part
stopped``, 750 comparisons each; of 900 others at 2 % 4.3 % err).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TypeAlias

from orchestrator.core.verdict.between_runs.run_scatter import TrialScatter, trial_scatters
from orchestrator.core.verdict.between_runs.side import Key, Side
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.demand.cpu_cost import cpu_seconds
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, mean_of

#: Block to log; readings without blocks are numbered.
Logs: TypeAlias = dict[int, float]
Quantity: TypeAlias = Callable[[CellReadings], Logs]


@dataclass(frozen=True)
class Mean:
    """A cell's mean log in one run.

    Attributes:
        value: the mean.
        trials: how many it rests on.
        scatter: of one trial; ``None`` where it was read only once.
    """

    value: float
    trials: int
    scatter: TrialScatter | None

    @property
    def square_error(self) -> float:
        """Variance of the mean; 0 where its scatter is not known."""
        return 0.0 if self.scatter is None else self.scatter.variance / self.trials

    def longer(self, more: int) -> Mean:
        """The same after so many further blocks, everything else being as it is."""
        if self.scatter is None:
            return self
        return replace(self, trials=self.trials + more, scatter=replace(self.scatter, df=self.scatter.df + more))


def throughputs(cell: CellReadings) -> Logs:
    """Logs of operations per second."""
    return cell.by_block if cell.by_block is not None else dict(enumerate(cell.logs))


def per_cpu_second(cell: CellReadings) -> Logs:
    """Logs of operations per CPU second, of the trials that know it."""
    blocked = cell.by_block is not None
    costs = ((o.block if blocked else n, cpu_seconds(o)) for n, o in enumerate(cell.observations))
    return {block: -math.log(cost) for block, cost in costs if block is not None and cost is not None and cost > 0}


def run_means(side: Side, quantity: Quantity) -> dict[Key, Mean]:
    """The mean of every cell of a run that knows the quantity."""
    found: dict[Key, Mean] = {}
    for _, load in groupby(side.cells.values(), key=lambda cell: cell.first.workload):
        known = [(cell, logs) for cell in load if (logs := quantity(cell))]
        blocked = {cell.key: logs for cell, logs in known if cell.by_block is not None}
        scatters: dict[Key, TrialScatter | None] = dict(
            zip(blocked, trial_scatters(list(blocked.values())), strict=True)
        )
        for cell, logs in known:
            scatter = scatters[cell.key] if cell.key in scatters else trial_scatters([logs])[0]
            found[cell.key] = Mean(mean_of(list(logs.values())).value, len(logs), scatter)
    return found


def between_two(base: Mean, new: Mean) -> LogEstimate:
    """New less base, of one run each; without an error where one of them was read only once."""
    value, readings = new.value - base.value, min(base.trials, new.trials)
    if base.scatter is None or new.scatter is None:
        return LogEstimate(value, readings)
    parts = ((base.square_error, base.scatter.df), (new.square_error, new.scatter.df))
    return LogEstimate(value, readings, *sum_of(parts))


@dataclass(frozen=True)
class BaseRuns:
    """A cell in several base runs.

    Attributes:
        means: of each run.
        scatter: of the runs' means; ``None`` for a single run.
    """

    means: tuple[Mean, ...]
    scatter: TrialScatter | None

    @property
    def value(self) -> float:
        """Mean of the runs' means."""
        return mean_of([mean.value for mean in self.means]).value

    @property
    def trials(self) -> int:
        """Of all of the runs."""
        return sum(mean.trials for mean in self.means)

    @property
    def trial_scatter(self) -> TrialScatter | None:
        """Of one trial within a run, over the runs."""
        known = [mean.scatter for mean in self.means if mean.scatter is not None]
        if not known:
            return None
        df = math.fsum(scatter.df for scatter in known)
        return TrialScatter(math.fsum(scatter.variance * scatter.df for scatter in known) / df, df)

    @property
    def square_error_of_a_run(self) -> float:
        """The part of a run's mean that its trials explain."""
        within = self.trial_scatter
        return within.variance * math.fsum(1 / m.trials for m in self.means) / len(self.means) if within else 0.0


def base_runs(runs: Sequence[Mapping[Key, Mean]], cells: Mapping[Key, Mapping[int, Key]]) -> dict[Key, BaseRuns]:
    """Every cell over the base runs that hold it.

    Args:
        runs: means of each run, by its own keys.
        cells: key of a cell in the new run, to base run's number, to its key there; of one load, or of several.
    """
    found: dict[Key, BaseRuns] = {}
    ordered = sorted(cells, key=lambda key: key[0])
    for _, load in groupby(ordered, key=lambda key: key[0]):
        held = {key: {n: runs[n][there] for n, there in cells[key].items() if there in runs[n]} for key in load}
        held = {key: means for key, means in held.items() if means}
        scatters = trial_scatters([{n: mean.value for n, mean in means.items()} for means in held.values()])
        for (key, means), scatter in zip(held.items(), scatters, strict=True):
            found[key] = BaseRuns(tuple(means.values()), scatter)
    return found


def beyond_runs(base: BaseRuns, new: Mean, *, more_runs: int = 0) -> LogEstimate:
    """New less base, where runs are the readings.

    Args:
        base: the cell in the base runs.
        new: in the new one.
        more_runs: so many further base runs, everything else being as it is.
    """
    value, runs = new.value - base.value, len(base.means)
    if base.scatter is None or runs < 2:
        return LogEstimate(value, runs)
    explained = base.square_error_of_a_run
    # Runs that chance has made more alike than their own trials allow do not vary less than these.
    of_a_run = max(base.scatter.variance, explained)
    parts = [(of_a_run * (1 + 1 / (runs + more_runs)), base.scatter.df + more_runs)]
    within = new.scatter or base.trial_scatter
    if within is not None and (lacking := within.variance / new.trials - explained) > 0:
        parts.append((lacking, within.df))
    return LogEstimate(value, runs, *sum_of(parts))


def sum_of(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Standard error and degrees of freedom of a sum of independent parts (Satterthwaite 1946; JCGM 100:2008, G.4).

    Args:
        parts: variance and degrees of freedom of each.
    """
    whole = math.fsum(square for square, _ in parts)
    if whole == 0:
        return 0.0, math.fsum(df for _, df in parts)
    # Divided through by the sum first: squares of tiny variances would vanish.
    return math.sqrt(whole), 1 / math.fsum((square / whole) ** 2 / df for square, df in parts)
