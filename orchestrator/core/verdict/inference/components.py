"""Where scatter between trials comes from: blocks, trials, and the seconds within a trial; and whether cells share it.

The variance of a trial is estimated from what cell and block do not explain; that of the blocks from what their
differences show beyond it. Both are the moment estimates of the analysis of variance (Henderson 1953, Biometrics 9,
226, method III, also where blocks are missing); in a complete design they are the restricted maximum likelihood
estimates as long as they are positive.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from orchestrator.core.verdict.inference.block_design import additive_fit


@dataclass(frozen=True)
class Component:
    """A variance.

    Attributes:
        estimate: as it came out; below 0 chance made the scatter look smaller than its parts.
    """

    estimate: float

    @property
    def variance(self) -> float:
        """Held at 0 or above."""
        return max(0.0, self.estimate)

    @property
    def sd(self) -> float:
        """Its square root."""
        return math.sqrt(self.variance)


@dataclass(frozen=True)
class Components:
    """Variances of logs in a block design.

    Attributes:
        trial: between trials of one cell, what their blocks share left out.
        block: between blocks.
        df: degrees of freedom of ``trial``.
        block_df: of the differences between blocks.
        p: chance of blocks that differ this much where blocks make no difference (F test).
    """

    trial: Component
    block: Component
    df: int
    block_df: int
    p: float


def components(cells: Sequence[Mapping[int, float]]) -> Components | None:
    """Variance between trials and between blocks.

    Args:
        cells: for each cell, block to log of throughput; blocks may be missing.

    Returns:
        ``None`` where there are too few readings to tell the two apart.
    """
    fit = additive_fit(cells)
    if fit is None or fit.df < 1:
        return None
    # How much of one block's variance its readings hold once the cells are fitted.
    held = math.fsum(1 - 1 / len(cell) for cell in cells for _ in cell)
    means = [math.fsum(cell.values()) / len(cell) for cell in cells if cell]
    total = math.fsum((x - m) ** 2 for cell, m in zip(filter(None, cells), means, strict=True) for x in cell.values())
    block_df = sum(len(cell) - 1 for cell in cells if cell) - fit.df
    if block_df < 1:
        return None
    trial = fit.squares / fit.df
    between = max(0.0, total - fit.squares)
    # The sum of squares of blocks, cells fitted first, expects block_df * trial + held * block.
    block = (between - block_df * trial) / held
    p = float(fdtrc(block_df, fit.df, between / block_df / trial)) if trial > 0 else 0.0
    return Components(Component(trial), Component(block), fit.df, block_df, p)


def one_way(groups: Sequence[Sequence[float]]) -> tuple[Component, Component]:
    """Variance within and between groups, sizes may differ (one-way random effects; Searle 1971, ch. 10).

    Args:
        groups: at least two, one of them with two readings or more.
    """
    # From the first reading: differences of neighbouring floats are exact, sums of large ones are not.
    groups = [[reading - groups[0][0] for reading in group] for group in groups]
    sizes = [len(group) for group in groups]
    n, means = sum(sizes), [math.fsum(group) / len(group) for group in groups]
    grand = math.fsum(size * mean for size, mean in zip(sizes, means, strict=True)) / n
    within = math.fsum((x - m) ** 2 for g, m in zip(groups, means, strict=True) for x in g) / (n - len(groups))
    squares = math.fsum(size * (mean - grand) ** 2 for size, mean in zip(sizes, means, strict=True))
    each = (n - math.fsum(size**2 for size in sizes) / n) / (len(groups) - 1)
    return Component(within), Component((squares / (len(groups) - 1) - within) / each)


def beyond_seconds(trial: Component, errors: Sequence[float]) -> Component:
    """What starting afresh adds to a trial's scatter: its variance less the mean square of the errors within trials.

    Args:
        trial: variance of a trial's log mean.
        errors: relative standard error of each trial's mean, from its own seconds.
    """
    return Component(trial.estimate - math.fsum(error**2 for error in errors) / len(errors))


@dataclass(frozen=True)
class Homogeneity:
    """Whether cells scatter alike.

    Attributes:
        statistic: Brown and Forsythe's F.
        df: its degrees of freedom, between and within.
        p: chance of cells that differ this much in scatter when they do not.
        largest: number of the cell that scatters most.
        ratio: its variance over the mean variance of the others; infinite where these do not scatter.
    """

    statistic: float
    df: tuple[float, float]
    p: float
    largest: int
    ratio: float


def homogeneity(cells: Sequence[Mapping[int, float]]) -> Homogeneity | None:
    """Test that the cells of a block design scatter alike, on what cell and block do not explain.

    It is reported; no estimate is chosen by it. The test is :func:`same_spread` without structural zeros. Bartlett's
    (1937) takes heavy tails for unequal variances (Box 1953, Biometrika 40, 318). Simulated at a nominal 5 %, 12 cells
    in 5 blocks, normal and Student's t with 4 degrees of freedom (tests/benchmarks/statistics/between_trials.py):
    Bartlett 4.8 and 32 %, Levene about the mean 13 and 26 %, Brown and Forsythe 0.1 and 0.5 %, this one 2.5 and 3.7 %;
    one cell that scatters three times as much is seen in 33 %, by Brown and Forsythe's in 16 %. At the worst, with four
    blocks, it speaks in 6 %.

    Args:
        cells: for each cell, block to log of throughput.

    Returns:
        ``None`` with fewer than three cells of three readings (two cells of a block design have the same residuals but
        for the sign), or without any scatter.
    """
    fit = additive_fit(cells)
    if fit is None or fit.df < 1:
        return None
    rows = {number: [fit.residual(number, block) for block in cell] for number, cell in enumerate(cells)}
    kept = {number: row for number, row in rows.items() if len(row) > 2}
    found = same_spread(list(kept.values()), structural_zeros=False) if len(kept) > 2 else None
    if found is None:
        return None
    variances = {number: float(np.var(row, ddof=1)) for number, row in kept.items()}
    most = max(variances, key=lambda number: variances[number])
    others = math.fsum(v for number, v in variances.items() if number != most) / (len(kept) - 1)
    statistic, df, p = found
    return Homogeneity(statistic, df, p, most, variances[most] / others if others > 0 else math.inf)


def same_spread(
    groups: Sequence[Sequence[float]], *, structural_zeros: bool = True
) -> tuple[float, tuple[float, float], float] | None:
    """One-way analysis of variance of absolute deviations from the median (Brown & Forsythe 1974, JASA 69, 364).

    Args:
        groups: at least two, of at least three readings each.
        structural_zeros: keep the deviations that are 0, or equal in pairs, because a median of few readings makes them
            so; without them (Hines & Hines 2000, Biometrics 56, 451) small groups reach the level.

    Returns:
        Statistic, degrees of freedom, p; ``None`` where nothing scatters.
    """
    deviations = [_deviations(np.asarray(group, dtype=np.float64), structural_zeros) for group in groups]
    sizes = np.array([len(d) for d in deviations], dtype=np.float64)
    means = np.array([d.mean() for d in deviations])
    grand = float(np.concatenate(deviations).mean())
    between = float(sizes @ (means - grand) ** 2)
    within = math.fsum(float(((d - d.mean()) ** 2).sum()) for d in deviations)
    df = (len(groups) - 1.0, float(sizes.sum()) - len(groups))
    if df[1] < 1 or within <= 0:
        return None
    statistic = between / df[0] / (within / df[1])
    return statistic, df, float(fdtrc(*df, statistic))


def _deviations(group: NDArray[np.float64], structural_zeros: bool) -> NDArray[np.float64]:
    found = np.sort(np.abs(group - np.median(group)))
    if structural_zeros:
        return found
    if len(group) % 2:
        return found[1:]
    # The two nearest are equal: in their place stands their sum over the root of two; their difference is the zero.
    return np.concatenate(([found[0] * math.sqrt(2)], found[2:]))
