"""The randomised block design: what cell and block explain of each trial.

Every comparison within blocks, the scatter of trials about it and the effects of blocks come from this one fit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

#: Variances of logs below this are rounding.
_ROUNDING = 1e-24


@dataclass(frozen=True)
class AdditiveFit:
    """Least squares of ``log = cell + block`` (randomised blocks: Fisher 1935; Montgomery 2017, ch. 4).

    Attributes:
        squares: residual sum of squares.
        df: residual degrees of freedom, 0 when none is left.
        cells: effect of each cell, in their order.
        blocks: effect of each block; where parts of the design share no block, the parts' levels are arbitrary.
        readings: block to log, for each cell.
    """

    squares: float
    df: int
    cells: tuple[float, ...]
    blocks: Mapping[int, float]
    readings: tuple[Mapping[int, float], ...]

    @property
    def variance(self) -> float:
        """Of one trial's log about cell and block: the residual mean square, 0 where it is no more than rounding.

        Raises:
            ValueError: when no degree of freedom is left, so that nothing is known of it.
        """
        if self.df < 1:
            raise ValueError("a design without a degree of freedom to spare tells nothing of the scatter of its trials")
        mean_square = self.squares / self.df
        return mean_square if mean_square > _ROUNDING else 0.0

    def residual(self, cell: int, block: int) -> float:
        """What cell and block leave of one reading."""
        return self.readings[cell][block] - self.cells[cell] - self.blocks[block]


def additive_fit(cells: Sequence[Mapping[int, float]]) -> AdditiveFit | None:
    """Fit cell and block; blocks may be missing.

    The cells are eliminated from the normal equations, so that one equation a block is left (the intra-block analysis
    of Yates 1936); where every cell holds every block the effects are plain means.

    Args:
        cells: for each cell, block to log of throughput.

    Returns:
        ``None`` when there is no reading at all.
    """
    numbers = sorted({block for cell in cells for block in cell})
    if not numbers:
        return None
    held = np.array([[block in cell for block in numbers] for cell in cells], dtype=np.float64)
    logs = np.array([[cell.get(block, 0.0) for block in numbers] for cell in cells])
    # About a common level, so that squares of large logs do not swallow small differences.
    logs = np.where(held > 0, logs - logs.sum() / held.sum(), 0.0)
    level = math.fsum(log for cell in cells for log in cell.values()) / held.sum()
    sizes = np.maximum(held.sum(axis=1), 1.0)
    means = logs.sum(axis=1) / sizes
    if held.all():
        effects, df = logs.mean(axis=0) - logs.mean(), (len(cells) - 1) * (len(numbers) - 1)
    else:
        equations = np.diag(held.sum(axis=0)) - held.T @ (held / sizes[:, np.newaxis])
        effects, _, rank, _ = np.linalg.lstsq(equations, logs.sum(axis=0) - held.T @ means, rcond=1e-9)
        df = int(held.sum()) - int((held.sum(axis=1) > 0).sum()) - int(rank)
    own = means - held @ effects / sizes
    residuals = np.where(held > 0, logs - own[:, np.newaxis] - effects, 0.0)
    return AdditiveFit(
        squares=float((residuals**2).sum()),
        df=df,
        cells=tuple((own + level).tolist()),
        blocks=dict(zip(numbers, effects.tolist(), strict=True)),
        readings=tuple(cells),
    )
