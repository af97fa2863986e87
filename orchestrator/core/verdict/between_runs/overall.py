"""All matched cells together: the geometric mean of their ratios.

The cells of a run are not independent: they share its blocks. So the error comes from the means of whole blocks over
the cells, which are independent of each other, and not from the errors of the cells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.core.verdict.between_runs.cell_differences import differences
from orchestrator.core.verdict.between_runs.estimates import (
    BaseRuns,
    Mean,
    Quantity,
    between_two,
    beyond_runs,
    per_cpu_second,
    run_means,
    throughputs,
)
from orchestrator.core.verdict.between_runs.matching import Match
from orchestrator.core.verdict.between_runs.results import Overall
from orchestrator.core.verdict.between_runs.run_scatter import TrialScatter, trial_scatters
from orchestrator.core.verdict.between_runs.side import Key, Side
from orchestrator.core.verdict.comparison import equal_confidence, word
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, exp


@dataclass(frozen=True)
class _Both:
    """The mean log over the cells of base and new, and their difference."""

    base: float
    new: float
    estimate: LogEstimate


def overall(
    bases: Sequence[Side], new: Side, matches: Sequence[Match], *, margin: float, confidence: float
) -> Overall | None:
    """All cells together; ``None`` where no cell is matched.

    Its interval holds by itself: it is one statement beside those on the cells.
    """
    if not matches:
        return None
    found = _over_cells(bases, new, matches, throughputs)
    costs = _over_cells(bases, new, matches, per_cpu_second)
    if found is None:
        return None
    interval = found.estimate.interval(confidence)
    wide = found.estimate.interval(equal_confidence(confidence))
    per_cpu = costs.estimate.interval(confidence) if costs else None
    vcpus = math.fsum(math.log(each.new.vcpus) for each in matches) / len(matches)
    return Overall(
        cells=len(matches),
        ratio=exp(found.estimate.value),
        low=exp(interval[0]) if interval else None,
        high=exp(interval[1]) if interval else None,
        verdict=word(interval, margin, wide),
        base_blocks=sum(len(_blocks(base, _keys(matches, n), throughputs)) for n, base in enumerate(bases)),
        new_blocks=len(_blocks(new, [each.new.key for each in matches], throughputs)),
        base_per_vcpu=exp(found.base - vcpus),
        new_per_vcpu=exp(found.new - vcpus),
        base_per_cpu_s=exp(costs.base) if costs else None,
        new_per_cpu_s=exp(costs.new) if costs else None,
        cpu_ratio=exp(costs.estimate.value) if costs else None,
        cpu_low=exp(per_cpu[0]) if per_cpu else None,
        cpu_high=exp(per_cpu[1]) if per_cpu else None,
    )


def _over_cells(bases: Sequence[Side], new: Side, matches: Sequence[Match], quantity: Quantity) -> _Both | None:
    """``None`` where not every cell knows the quantity on both sides."""
    cells = differences(bases, new, matches, quantity)
    if len(cells) < len(matches):
        return None
    mine, theirs = (math.fsum(each.value for each in side) / len(cells) for side in (
        [d.new for d in cells.values()], [d.base for d in cells.values()],
    ))  # fmt: skip
    keys = [each.new.key for each in matches]
    over_new = _mean(new, keys, quantity)
    if len(bases) == 1:
        estimate = between_two(_mean(bases[0], _keys(matches, 0), quantity), over_new)
    else:
        # Runs that lack a cell would shift the mean over cells.
        whole = [n for n in range(len(bases)) if len(_keys(matches, n)) == len(matches)]
        means = tuple(_mean(bases[n], _keys(matches, n), quantity) for n in whole)
        scatter = trial_scatters([dict(enumerate(mean.value for mean in means))])[0] if means else None
        estimate = beyond_runs(BaseRuns(means, scatter), over_new) if means else LogEstimate(mine - theirs, 0)
    # Every trial counts for the value, complete blocks only for its error.
    return _Both(theirs, mine, LogEstimate(mine - theirs, estimate.readings, estimate.error, estimate.df))


def _keys(matches: Sequence[Match], number: int) -> list[Key]:
    """What the matched cells are called in a base run."""
    return [cell.key for each in matches for n, cell in each.base if n == number]


def _blocks(side: Side, keys: Sequence[Key], quantity: Quantity) -> dict[int, float]:
    """Complete blocks with their mean log over the cells."""
    logs = [quantity(side.cells[key]) for key in keys]
    shared = set.intersection(*(set(each) for each in logs)) if logs else set()
    return {block: math.fsum(each[block] for each in logs) / len(logs) for block in sorted(shared)}


def _mean(side: Side, keys: Sequence[Key], quantity: Quantity) -> Mean:
    """A run's mean over its cells, with the scatter of one block's."""
    if all(side.cells[key].by_block is not None for key in keys):
        blocks = _blocks(side, keys, quantity)
        value = math.fsum(blocks.values()) / len(blocks) if blocks else 0.0
        return Mean(value, max(1, len(blocks)), trial_scatters([blocks])[0] if blocks else None)
    return _independent([run_means(side, quantity)[key] for key in keys])


def _independent(cells: Sequence[Mean]) -> Mean:
    """Of readings that were not taken in blocks, each cell has its own."""
    value = math.fsum(cell.value for cell in cells) / len(cells)
    if any(cell.scatter is None for cell in cells):
        return Mean(value, 1, None)
    squares = [(cell.square_error / len(cells) ** 2, cell.scatter.df) for cell in cells if cell.scatter]
    whole = math.fsum(square for square, _ in squares)
    df = whole**2 / math.fsum(square**2 / df for square, df in squares) if whole > 0 else 1.0
    return Mean(value, 1, TrialScatter(whole, df))
