"""Estimates on the log scale, with Student's t.

A trial counts as one observation, whatever its length: its seconds are correlated with each other, and repeating a
trial scatters more than its own seconds show. Throughput is positive and its scatter proportional to its size, so
everything is computed on logarithms; a mean of logs is the log of a geometric mean, a difference of logs that of a
ratio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

#: Beyond e**700 a float overflows; an interval as wide as that says nothing either way.
_LARGEST_LOG = 700.0
#: Deviations of logs below this are rounding.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Scatter:
    """How much one more block is worth.

    Attributes:
        sd: standard deviation of the log ratio within one block (or of one independent reading of each cell).
        df_per_block: degrees of freedom that each block after the first adds.
    """

    sd: float
    df_per_block: float


@dataclass(frozen=True)
class LogEstimate:
    """A mean of logs, or a difference of two.

    Attributes:
        value: the estimate, a natural logarithm.
        readings: blocks (paired) or readings of the smaller cell (independent) that it rests on.
        error: standard error; ``None`` where there are too few readings to know one.
        df: degrees of freedom of ``error``.
        scatter: see :class:`Scatter`; ``None`` with ``error``.
    """

    value: float
    readings: int
    error: float | None = None
    df: float = 0.0
    scatter: Scatter | None = None

    def interval(self, confidence: float) -> tuple[float, float] | None:
        """Two-sided confidence interval of ``value``; ``None`` where no error is known."""
        if self.error is None:
            return None
        half = student(confidence, self.df) * self.error
        return self.value - half, self.value + half

    def turned(self) -> LogEstimate:
        """The same with base and new exchanged."""
        return LogEstimate(-self.value, self.readings, self.error, self.df, self.scatter)


def student(confidence: float, df: float) -> float:
    """Two-sided quantile of Student's t: T lies within plus and minus it with this confidence."""
    return float(stdtrit(df, 0.5 + confidence / 2))


def exp(log: float) -> float:
    """Exponential of a logarithm, held within what a float can express."""
    return math.exp(max(-_LARGEST_LOG, min(_LARGEST_LOG, log)))


def mean_of(logs: Sequence[float]) -> LogEstimate:
    """Mean of independent observations with its standard error s / sqrt(n), s with n - 1."""
    n = len(logs)
    mean = math.fsum(logs) / n
    if n == 1:
        return LogEstimate(mean, 1)
    sd = math.sqrt(_variance(logs))
    return LogEstimate(mean, n, sd / math.sqrt(n), n - 1, Scatter(sd, 1.0))


@dataclass(frozen=True)
class BlockNoise:
    """How much trials scatter about what their cell and their block explain, over all cells of a block design.

    Attributes:
        variance: of one trial's log, the residual mean square of the two-way additive model.
        df: its degrees of freedom, at least 1.
        blocks: in the design, at least 2.
    """

    variance: float
    df: float
    blocks: int


def block_noise(cells: Sequence[Mapping[int, float]]) -> BlockNoise | None:
    """Residual variance of a randomised block design (Fisher 1935; Montgomery 2017, ch. 4), blocks may be missing.

    Args:
        cells: for each cell, block to log of throughput.

    Returns:
        ``None`` where no degree of freedom is left.
    """
    blocks = sorted({block for cell in cells for block in cell})
    rows = [(number, blocks.index(block), log) for number, cell in enumerate(cells) for block, log in cell.items()]
    if not rows:
        return None
    design = np.zeros((len(rows), len(cells) + len(blocks)))
    for row, (cell_number, block_number, _) in enumerate(rows):
        design[row, [cell_number, len(cells) + block_number]] = 1.0
    logs = np.array([log for *_, log in rows])
    solution, _, rank, _ = np.linalg.lstsq(design, logs - logs.mean(), rcond=None)
    df = len(rows) - int(rank)
    if df < 1:
        return None
    residuals = logs - logs.mean() - design @ solution
    variance = float(residuals @ residuals) / df
    return BlockNoise(variance if variance > _ROUNDING**2 else 0.0, df, len(blocks))


def paired(base: Mapping[int, float], new: Mapping[int, float], noise: BlockNoise | None = None) -> LogEstimate:
    """Mean difference ``new - base`` over the blocks that hold both: what the blocks share cancels.

    With the noise of the whole design its variance is the larger of twice that noise, which has many degrees of
    freedom, and of the pair's own, so that a cell that scatters more than the others is not taken for as calm as they
    are. Where the pair's own is larger by a factor r the degrees of freedom fall with its square, down to the pair's
    own. No test chooses between the two. Held against simulated experiments: the family-wise error stays near 5 %
    also when one cell scatters four times as much as the rest.

    With no common block it is the difference of the two means, without an error.

    Args:
        base: block to log of throughput.
        new: the same of the other cell.
        noise: of the design that both belong to; without it the pair stands alone (paired t).
    """
    shared = sorted(base.keys() & new.keys())
    if not shared:
        return LogEstimate(mean_of(list(new.values())).value - mean_of(list(base.values())).value, 0)
    alone = mean_of([new[block] - base[block] for block in shared])
    if noise is None:
        return alone
    pooled, own = 2 * noise.variance, alone.scatter.sd**2 if alone.scatter is not None else 0.0
    df = max(noise.df * min(1.0, pooled / own) ** 2, alone.df) if own > 0 else noise.df
    sd = math.sqrt(max(pooled, own))
    scatter = Scatter(sd, df / (noise.blocks - 1))
    return LogEstimate(alone.value, len(shared), sd / math.sqrt(len(shared)), df, scatter)


def independent(base: Sequence[float], new: Sequence[float]) -> LogEstimate:
    """Difference of two means whose variances need not be equal (Welch 1947, with Satterthwaite's degrees of freedom).

    For the blocks to come both cells are taken to gain one reading each.
    """
    one, two = mean_of(base), mean_of(new)
    value, readings = two.value - one.value, min(len(base), len(new))
    if readings < 2:
        return LogEstimate(value, readings)
    v1, v2 = _variance(base), _variance(new)
    e1, e2 = v1 / len(base), v2 / len(new)
    if e1 + e2 == 0:
        return LogEstimate(value, readings, 0.0, readings - 1, Scatter(0.0, 1.0))
    # Divided through by the sum first: squares of tiny variances would vanish.
    p1, p2 = e1 / (e1 + e2), e2 / (e1 + e2)
    df = 1 / (p1**2 / (len(base) - 1) + p2**2 / (len(new) - 1))
    w1, w2 = v1 / (v1 + v2), v2 / (v1 + v2)
    return LogEstimate(value, readings, math.sqrt(e1 + e2), df, Scatter(math.sqrt(v1 + v2), 1 / (w1**2 + w2**2)))


def _variance(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)
