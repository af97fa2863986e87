"""Trials that lie far from what their cell and their block lead to expect: flagged, never dropped.

Dropping what lies far takes real slowdowns out of the result. But a single trial that something disturbed widens every
interval, and whoever ran it may know why.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from scipy.special import stdtr

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.inference.block_design import additive_fit
from orchestrator.core.verdict.inference.uncertainty import exp, mean_of

#: Chance to flag any trial of a workload whose trials scatter normally.
_ERROR = 0.01
#: With fewer degrees of freedom left, every residual is large.
_LEAST_DF = 3
#: Differences of logs below this are rounding.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Outlier:
    """A trial and how far it lies off.

    Attributes:
        cell: where it belongs.
        block: its block, ``None`` for readings without.
        ratio: its throughput over what was to be expected.
    """

    cell: CellReadings
    block: int | None
    ratio: float


def outliers(cells: Sequence[CellReadings]) -> tuple[Outlier, ...]:
    """Trials whose residual is too large for chance, in order of the cells.

    The residual over its standard error without the trial itself is Student's t (Cook & Weisberg 1982, ch. 2.2), its
    chance times the number of trials that of the largest (Stefansky 1972, Technometrics 14, 469).
    """
    return tuple(
        found for _, load in groupby(cells, key=lambda c: c.first.workload) for found in _of_workload(list(load))
    )


def _of_workload(cells: Sequence[CellReadings]) -> Iterator[Outlier]:
    blocked = [(cell, by_block) for cell in cells if (by_block := cell.by_block) is not None]
    if len(blocked) == len(cells):
        residuals, df = _in_blocks([by_block for _, by_block in blocked])
    else:
        residuals = [[log - mean_of(cell.logs).value for log in cell.logs] for cell in cells]
        df = sum(len(cell.logs) - 1 for cell in cells)
    trials, squares = sum(map(len, residuals)), math.fsum(r * r for of_cell in residuals for r in of_cell)
    if df - 1 < _LEAST_DF:
        return
    for cell, of_cell in zip(cells, residuals, strict=True):
        for seen, residual in zip(cell.observations, of_cell, strict=True):
            # A residual keeps this share of its trial's own luck, on average over the design.
            square = residual**2 * trials / df
            rest = max(squares - square, 0.0) / (df - 1)
            t = math.sqrt(square / rest) if rest > _ROUNDING**2 else math.inf
            if abs(residual) > _ROUNDING and 2 * stdtr(df - 1, -t) * trials < _ERROR:
                yield Outlier(cell, seen.block, exp(residual * trials / df))


def _in_blocks(cells: Sequence[Mapping[int, float]]) -> tuple[list[list[float]], int]:
    fit = additive_fit(cells)
    if fit is None:
        return [[] for _ in cells], 0
    return [[fit.residual(number, block) for block in cell] for number, cell in enumerate(cells)], fit.df
