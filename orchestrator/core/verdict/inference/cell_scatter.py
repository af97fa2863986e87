"""How far each cell's trials scatter: as all cells of a block design show together, or by itself where that is more.

A few blocks say little of one cell's scatter, and the scatter pooled over all cells is wrong for one that scatters far
more than the others. So a cell stands by its own only where its variance is beyond twice that of the rest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from orchestrator.core.verdict.inference.block_design import additive_fit
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter, paired

#: A cell whose variance is beyond so many times that of the other cells stands by its own. Simulated: scans of 2-24
#: equal cells in 3-5 blocks, all shapes compared at a family-wise 5 %. With 2 / 3 / 4 / 6 the error is 4.0 / 4.5 /
#: 4.8 / 5.2 % where all cells scatter alike and 4.2 / 5.4 / 6.3 / 8.0 % where one has two to four times the others'
#: standard deviation; differences of 4-8 % are found in 68.5 / 70.5 / 71.6 / 72.4 %. The pooled variance alone: 5.2,
#: 11.2, 72.6 %; the larger of the pooled and the pair's own: 4.2, 4.8, 64.2 %. The chosen one against the pooled
#: variance again: tests/benchmarks/statistics/between_trials.py pooling.
_FAR_MORE = 2.0
#: Of two cells each has the residuals of the other but for the sign; it takes three to see one that scatters more.
_FEWEST_CELLS = 3


@dataclass(frozen=True)
class CellScatter:
    """Scatter of one cell's trials about what cell and block explain.

    Attributes:
        variance: of one trial's log.
        df: its degrees of freedom.
        pooled_df: those of the whole design; what any pair of its cells has at most.
        blocks: in the design, at least 2.
        own: whether the cell stands by its own readings.
    """

    variance: float
    df: float
    pooled_df: float
    blocks: int
    own: bool


def cell_scatters(cells: Sequence[Mapping[int, float]]) -> tuple[CellScatter, ...] | None:
    """The scatter of each cell of a randomised block design; blocks may be missing.

    The pooled variance is the residual mean square of ``log = cell + block`` (Fisher 1935; Montgomery 2017, ch. 4). A
    cell is set against the others by its share of the residual sum of squares over its share of the degrees of freedom.
    Where it stands by its own, its variance is estimated without bias (Grubbs 1948; Shukla 1972, Heredity 29, 237; near
    it where blocks are missing). Its degrees of freedom fall from those of the design with the ratio by which it is
    beyond the limit, down to its own; that fall is ours, and its error the one simulated for the limit.

    Args:
        cells: for each cell, block to log of throughput.

    Returns:
        ``None`` where no degree of freedom is left.
    """
    fit = additive_fit(cells)
    if fit is None or fit.df < 1:
        return None
    alike = CellScatter(fit.variance, fit.df, fit.df, len(fit.blocks), own=False)
    gained = [max(0, len(cell) - 1) for cell in cells]
    repeated = sum(more > 0 for more in gained)
    if fit.variance == 0 or repeated < _FEWEST_CELLS:
        return tuple(alike for _ in cells)
    per_reading, found = fit.df / sum(gained), []
    for number, cell in enumerate(cells):
        mine = math.fsum(fit.residual(number, block) ** 2 for block in cell)
        df = gained[number] * per_reading
        own, rest_df = mine / df if df > 0 else 0.0, fit.df - df
        limit = max(_FAR_MORE * max(0.0, fit.squares - mine) / rest_df, fit.variance) if rest_df > 0 else own
        if own <= limit:
            found.append(alike)
        else:
            variance = _without_bias(own, fit.variance, repeated)
            found.append(CellScatter(variance, max(df, fit.df * limit / own), fit.df, alike.blocks, own=True))
    return tuple(found)


def _without_bias(own: float, pooled: float, cells: int) -> float:
    """Residuals hold a part of the other cells' scatter and lack a part of their own cell's."""
    share = 1 / cells
    return (own * (1 - share) - pooled * share) / (1 - 2 * share)


def paired_by_design(
    base: Mapping[int, float], new: Mapping[int, float], scatters: tuple[CellScatter | None, CellScatter | None]
) -> LogEstimate:
    """Mean difference ``new - base`` over the blocks that hold both, with the scatter that the whole design shows.

    Where one of the two stands by its own, the degrees of freedom are Satterthwaite's (1946).

    Args:
        base: block to log of throughput.
        new: the same of the other cell.
        scatters: of base and new; without one of them the pair stands alone (paired t).
    """
    alone, (one, two) = paired(base, new), scatters
    if one is None or two is None or alone.readings == 0:
        return alone
    variance, df = one.variance + two.variance, one.pooled_df
    if variance > 0 and (one.own or two.own):
        share = one.variance / variance
        df = min(df, 1 / (share**2 / one.df + (1 - share) ** 2 / two.df))
    sd, blocks = math.sqrt(variance), alone.readings
    return LogEstimate(alone.value, blocks, sd / math.sqrt(blocks), df, Scatter(sd, df / (one.blocks - 1)))
