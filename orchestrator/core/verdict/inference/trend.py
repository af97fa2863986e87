"""What blocks have in common that follows a figure of theirs: their number, or which sitting they belong to.

In the randomised block design ``log = cell + block``, the sum of squares of the blocks is split into the part along the
figure (a contrast, one degree of freedom) and what is left between the blocks (Montgomery 2017, ch. 3.5 and 4.1;
NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.3.6). Set against the scatter of single trials, the contrast tells
that the blocks differ along the figure; but blocks that differ by chance, each by its own, do so along any figure. So
it has to stand out against what is left between the blocks as well: both at their level, which keeps the level whether
blocks differ by chance or not (an intersection-union test: Berger 1982, Technometrics 24, 295).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from orchestrator.core.verdict.inference.block_design import additive_fit

#: Relative to the whole: less information than this on the slope is rounding.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Trend:
    """The slope of block effects over a figure of the blocks.

    Attributes:
        slope: change of a trial's log for a unit of the figure.
        error_trials, df_trials: its standard error by what cell and block leave of each trial, and degrees of freedom.
        error_blocks, df_blocks: the same by what is left between blocks; ``None`` and 0 where nothing is left to tell.
    """

    slope: float
    error_trials: float
    df_trials: int
    error_blocks: float | None
    df_blocks: int

    @property
    def p_trials(self) -> float:
        """Chance of such a slope where all blocks are alike."""
        return _two_sided(self.slope, self.error_trials, self.df_trials)

    @property
    def p_blocks(self) -> float | None:
        """Chance of such a slope where blocks differ by chance and follow nothing; ``None`` where that is not known."""
        return None if self.error_blocks is None else _two_sided(self.slope, self.error_blocks, self.df_blocks)

    @property
    def p(self) -> float:
        """The larger of the two; of blocks that may differ by chance nothing is known where one of them is missing."""
        return 1.0 if self.p_blocks is None else max(self.p_trials, self.p_blocks)

    def half_width(self, confidence: float) -> float | None:
        """Of the slope's interval, by whichever scatter makes it wider; ``None`` where only one of them is known."""
        if self.error_blocks is None:
            return None
        return max(self.half_width_by_trials(confidence), self.error_blocks * _quantile(confidence, self.df_blocks))

    def half_width_by_trials(self, confidence: float) -> float:
        """The same by the scatter of trials alone, as if blocks never differed by chance."""
        return self.error_trials * _quantile(confidence, self.df_trials)


def trend(cells: Sequence[Mapping[int, float]], figure: Mapping[int, float]) -> Trend | None:
    """Fit ``log = cell + slope x figure`` and, with free blocks, what is left.

    Args:
        cells: for each cell, block to log of throughput; blocks may be missing. Blocks without a figure are left out.
        figure: of each block.

    Returns:
        ``None`` where the blocks do not differ in the figure, share no cells, or leave nothing to judge the slope by.
    """
    cells = [{block: log for block, log in cell.items() if block in figure} for cell in cells]
    fit = additive_fit(cells)
    if fit is None or fit.df < 1 or len(fit.blocks) < 2:
        return None
    numbers = sorted(fit.blocks)
    held = np.array([[block in cell for block in numbers] for cell in cells], dtype=np.float64)
    sizes = np.maximum(held.sum(axis=1), 1.0)
    # Of the blocks, once the cells are fitted (the intra-block analysis of Yates 1936).
    information = np.diag(held.sum(axis=0)) - held.T @ (held / sizes[:, np.newaxis])
    x = np.array([float(figure[block]) for block in numbers])
    x -= x.mean()
    along = information @ x
    known = float(x @ along)
    if known <= _ROUNDING * float(held.sum()) * max(float(x @ x), 1e-300):
        return None
    effects = np.array([fit.blocks[block] for block in numbers])
    slope = float(along @ effects) / known
    left = effects - slope * x
    df_blocks = int(np.linalg.matrix_rank(information, tol=_ROUNDING * float(held.sum()))) - 1
    between = float(left @ information @ left) / df_blocks if df_blocks > 0 else None
    return Trend(
        slope=slope,
        error_trials=math.sqrt(fit.variance / known),
        df_trials=fit.df,
        error_blocks=None if between is None else math.sqrt(max(between, 0.0) / known),
        df_blocks=max(df_blocks, 0),
    )


def _two_sided(slope: float, error: float, df: int) -> float:
    if error <= 0:
        return 1.0 if slope == 0 else 0.0
    return float(2 * stdtr(df, -abs(slope) / error))


def _quantile(confidence: float, df: int) -> float:
    return float(stdtrit(df, 0.5 + confidence / 2))
