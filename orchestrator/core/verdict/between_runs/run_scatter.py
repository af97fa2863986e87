"""How far the trials of a run scatter about each cell's mean, as it and the other cells of its load show together.

Between runs nothing cancels what a block's cells share, so the scatter that counts is that of block and trial together:
the squares about each cell's own mean. Over the cells of a workload they are as many squares as there are trials, less
one a cell; but what the cells of a block share is there once a block and not once a cell. So the squares are parted
into those of blocks and those within them (as in :mod:`~orchestrator.core.verdict.inference.components`), and the
degrees of freedom of the sum are Satterthwaite's (1946, Biometrics Bull. 2, 110).

Cells are not all alike, so what the others say is not taken for a cell's own: the two variances are averaged by their
degrees of freedom, those of the others counted as a few, and the degrees of freedom are added. That is the moderated t
of Smyth (2004, Stat. Appl. Genet. Mol. Biol. 3, 3), with prior degrees of freedom that are set instead of estimated:
a dozen cells are too few to estimate them.

Simulated against each cell by itself (``tests/benchmarks/statistics runs --count 1000 --part pooling``): eight cells
that scatter alike have intervals .59, .87 and .97 as wide with 3, 5 and 10 blocks, and err together in 1.4, 2.2 and
4.1 %. Where each has its own scatter, from .4 to 2.7 times the middle one's, eight cells err in 4.0, 3.4 and 2.4 %, and
twelve in 4.4, 4.0 and 3.0 %. With the pooled variance for all of them that were not seen to scatter twice as much it
was 7.5 % for eight cells and 9 % for twelve in three blocks, where intervals of cells alike were .50 as wide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import fdtrc

from orchestrator.core.verdict.inference.block_design import additive_fit

#: Of two cells the other makes intervals .92 as wide in three blocks, and 1.23 to 1.32 where they scatter unequally.
_FEWEST_CELLS = 3
#: A cell with so many trials stands by itself: the others would gain it .97, and lose as much where cells differ.
_ENOUGH = 10
#: What the other cells say of one counts as so many degrees of freedom at the most, however many they have: cells are
#: alike only so far. It is what variances have that spread by a factor of 2.2 (one standard deviation).
_WORTH = 4.0
#: A cell whose variance is beyond so many times that of the other cells stands by its own, as in
#: :mod:`~orchestrator.core.verdict.inference.cell_scatter`.
_FAR_MORE = 2.0
#: A cell that scatters as much more as chance makes in one of a thousand is left out of what the others are held
#: against. To leave out those beyond twice the rest would take a third off the variance of cells that scatter alike in
#: three blocks.
_WILD = 0.001
#: Variances of logs below this are rounding.
_ROUNDING = 1e-24


@dataclass(frozen=True)
class TrialScatter:
    """Variance of one trial's log about its cell, what its block adds included.

    Attributes:
        variance: of one trial.
        df: its degrees of freedom.
    """

    variance: float
    df: float


def trial_scatters(cells: Sequence[Mapping[int, float]]) -> tuple[TrialScatter | None, ...]:
    """The scatter of each cell of one load.

    Args:
        cells: block to log, of cells that were measured in the same blocks.

    Returns:
        ``None`` for a cell without a second reading.
    """
    repeated = [cell for cell in cells if len(cell) > 1]
    pool = _without_wild(repeated)
    if len(pool) < _FEWEST_CELLS:
        return tuple(_alone(cell) for cell in cells)
    whole, gained = _sum(pool)
    pooled = _pooled(pool, whole, gained)
    found: list[TrialScatter | None] = []
    for cell in cells:
        if not 1 < len(cell) < _ENOUGH:
            found.append(_alone(cell))
        elif any(cell is one for one in pool):
            mine, df = _squares(cell), len(cell) - 1
            found.append(_beside(cell, (whole - mine) / (gained - df), pooled.df - df))
        else:
            found.append(_beside(cell, pooled.variance, pooled.df))
    return tuple(found)


def _beside(cell: Mapping[int, float], rest: float, rest_df: float) -> TrialScatter:
    """A cell's scatter from its own trials, and from the variance of the other cells with its degrees of freedom."""
    mine, df, worth = _squares(cell), len(cell) - 1, min(_WORTH, max(0.0, rest_df))
    own, limit = mine / df, _FAR_MORE * rest
    if own > limit:
        return TrialScatter(own, max(df, (df + worth) * limit / own)) if own > _ROUNDING else TrialScatter(0.0, df)
    variance = (mine + worth * rest) / (df + worth)
    return TrialScatter(variance if variance > _ROUNDING else 0.0, df + worth)


def _without_wild(cells: Sequence[Mapping[int, float]]) -> list[Mapping[int, float]]:
    """The cells less those that scatter so much that chance would hardly do it: they would widen all the others."""
    pool = list(cells)
    while len(pool) > _FEWEST_CELLS:
        whole, gained = _sum(pool)
        wildest = max(pool, key=lambda cell: _squares(cell) / (len(cell) - 1))
        mine, df = _squares(wildest), len(wildest) - 1
        rest = (whole - mine) / (gained - df)
        if mine <= _ROUNDING or (rest > 0 and fdtrc(df, gained - df, mine / df / rest) > _WILD):
            break
        pool = [cell for cell in pool if cell is not wildest]
    return pool


def _sum(cells: Sequence[Mapping[int, float]]) -> tuple[float, int]:
    """Squares about the cells' means, and the degrees of freedom of as many readings."""
    return math.fsum(map(_squares, cells)), sum(len(cell) - 1 for cell in cells)


def _alone(cell: Mapping[int, float]) -> TrialScatter | None:
    if len(cell) < 2:
        return None
    df = len(cell) - 1
    variance = _squares(cell) / df
    return TrialScatter(variance if variance > _ROUNDING else 0.0, df)


def _pooled(cells: Sequence[Mapping[int, float]], whole: float, gained: int) -> TrialScatter:
    variance, fit = whole / gained, additive_fit(cells)
    if variance <= _ROUNDING or fit is None:
        return TrialScatter(0.0, gained)
    within = min(1.0, fit.squares / whole)
    parts = ((within, fit.df), (1 - within, gained - fit.df))
    return TrialScatter(variance, 1 / math.fsum(share**2 / df for share, df in parts if df > 0))


def _squares(cell: Mapping[int, float]) -> float:
    # From the first reading: differences of neighbouring floats are exact, sums of large ones are not.
    origin = next(iter(cell.values()))
    logs = [log - origin for log in cell.values()]
    mean = math.fsum(logs) / len(logs)
    return math.fsum((log - mean) ** 2 for log in logs)
