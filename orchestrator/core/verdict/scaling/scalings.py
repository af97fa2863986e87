"""Which cells are points of one curve, and what is said of each curve."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeAlias

import numpy as np

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.inference.block_design import additive_fit
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.scaling.choice import Choice, choose_law, fewest_sizes
from orchestrator.core.verdict.scaling.fitting import (
    COLUMNS,
    Fit,
    Points,
    limit_bounds,
    parameter_bounds,
    peak_bounds,
)
from orchestrator.core.verdict.scaling.laws import peak_size
from orchestrator.core.verdict.scaling.results import Bounds, FittedLaw, Over, Point, Scaling
from orchestrator.core.verdict.scaling.words import no_peak, sentence, shared, unphysical, why_no_law

#: Block to its effect on the log of throughput.
Effects: TypeAlias = Mapping[int, float]

#: With fewer sizes than these there is no curve to speak of: two cells are a comparison.
_FEWEST_POINTS = 3
#: A peak is named up to this many times the largest size measured (common practice, no published source).
REACH = 2.0
#: No throughput is known better than this share of itself: equal readings to the last digit are rounded.
_FINEST = 1e-6


@dataclass(frozen=True)
class Curve:
    """Cells that differ in one thing, with the size of each, smallest first."""

    over: Over
    cells: tuple[CellReadings, ...]
    sizes: tuple[int, ...]


def scalings(cells: Sequence[CellReadings], rule: Rule) -> tuple[Scaling, ...]:
    """How throughput grows, for each workload: over threads on each shape, over vCPUs, and over both together.

    vCPUs are followed up to the number of threads: a vCPU without a thread has nothing to run. Where several shapes
    have as many vCPUs the smallest stands for them, as in the comparisons.

    Args:
        cells: of all workloads, in any order.
        rule: confidence of the intervals, the margin that a law may miss by, the period that sentences speak in.

    Returns:
        One for each curve with at least three sizes; with too few for a law it says so.
    """
    ordered = sorted(cells, key=lambda c: (c.first.workload, c.first.threads, c.size))
    found: list[Scaling] = []
    for _, load in groupby(ordered, key=lambda c: c.first.workload):
        of_workload = list(load)
        curves = [curve for curve in _curves(of_workload) if len(curve.sizes) >= _FEWEST_POINTS]
        effects = _effects(of_workload) if curves else {}
        found += [_described(curve, effects, rule) for curve in curves]
    return tuple(found)


def _described(curve: Curve, effects: Effects, rule: Rule) -> Scaling:
    """The whole curve; where no law holds for it, its part up to as many threads as vCPUs, if a law holds there.

    Beyond that number threads share vCPUs, and the curve has a bend that no law of the three has.
    """
    whole = _scaling(curve, effects, rule)
    vcpus = curve.cells[0].first.vcpus
    if whole.law is not None or curve.over != "threads" or not curve.sizes[0] < vcpus < curve.sizes[-1]:
        return whole
    within = sum(size <= vcpus for size in curve.sizes)
    if within >= _FEWEST_POINTS:
        part = _scaling(Curve("threads", curve.cells[:within], curve.sizes[:within]), effects, rule)
        if part.law is not None:
            return part.model_copy(update={"sentence": f"{part.sentence} {shared(vcpus)}"})
    return whole.model_copy(update={"sentence": f"{whole.sentence} {shared(vcpus)}"})


def _curves(load: Sequence[CellReadings]) -> Iterator[Curve]:
    by_shape = sorted(load, key=lambda c: (c.size, c.first.threads))
    for _, found in groupby(by_shape, key=lambda c: c.first.shape):
        alike = tuple(found)
        yield Curve("threads", alike, tuple(c.first.threads for c in alike))
    for threads, found in groupby(load, key=lambda c: c.first.threads):
        yield _over_vcpus("vcpus", [c for c in found if c.first.vcpus <= threads])
    yield _over_vcpus("both", [c for c in load if c.first.vcpus == c.first.threads])


def _over_vcpus(over: Over, cells: Sequence[CellReadings]) -> Curve:
    smallest = {c.first.vcpus: c for c in sorted(cells, key=lambda c: c.size, reverse=True)}
    sizes = tuple(sorted(smallest))
    return Curve(over, tuple(smallest[size] for size in sizes), sizes)


def _effects(load: Sequence[CellReadings]) -> Effects:
    """What each block does to its trials, where the workload was measured in blocks; else empty."""
    by_block = [blocks for c in load if (blocks := c.by_block) is not None]
    fit = additive_fit(by_block) if len(by_block) == len(load) else None
    return fit.blocks if fit is not None else {}


def points_of(curve: Curve, effects: Effects) -> Points:
    """Means of the cells with their standard errors.

    With a block design the variance of a trial is the design's, and what a block does to its trials is taken off, so
    that a cell that lacks a block stands beside the others; what all blocks share raises or lowers the whole curve, and
    does not bend it. Else the variance is pooled over the curve's cells.
    """
    trials = np.array([len(c.logs) for c in curve.cells], dtype=np.float64)
    scatters = [c.scatter for c in curve.cells if c.scatter is not None]
    if effects and len(scatters) == len(curve.cells):
        variance, df = np.array([s.variance for s in scatters]), scatters[0].pooled_df
        levels = [_level(c, effects) for c in curve.cells]
    else:
        within = [float(np.sum((np.array(c.logs) - np.mean(c.logs)) ** 2)) for c in curve.cells]
        df = float(trials.sum() - len(trials))
        variance = np.full(len(trials), math.fsum(within) / df if df > 0 else 1.0)
        levels = [_level(c, {}) for c in curve.cells]
    means = np.exp(levels)
    errors = means * np.sqrt(np.maximum(variance, _FINEST**2) / trials)
    return Points(np.array(curve.sizes, dtype=np.float64), means, errors, df if df > 0 else None)


def _level(cell: CellReadings, effects: Effects) -> float:
    """Mean of a cell's logs, less what its blocks did to them."""
    logs = [log - effects.get(seen.block or 0, 0.0) for seen, log in zip(cell.observations, cell.logs, strict=True)]
    return math.fsum(logs) / len(logs)


def _scaling(curve: Curve, effects: Effects, rule: Rule) -> Scaling:
    points = points_of(curve, effects)
    needed = fewest_sizes(points)
    first = curve.cells[0].first
    choice = choose_law(points, rule.confidence, rule.margin) if len(curve.sizes) >= needed else None
    peak, beyond = _peak(choice) if choice is not None else (None, None)
    per_unit, sigma, kappa = _parameters(choice) if choice is not None else (None, None, None)
    found = Scaling(
        workload=first.workload,
        over=curve.over,
        shape=first.shape if curve.over == "threads" else None,
        threads=first.threads if curve.over == "vcpus" else None,
        points=_points(curve, choice, rule),
        law=choice.law if choice is not None else None,
        why_no_law=why_no_law(choice, len(curve.sizes), needed, rule),
        laws=tuple(_fitted(fit) for fit in choice.fits.values()) if choice is not None else (),
        per_unit=per_unit,
        sigma=sigma,
        kappa=kappa,
        unphysical=unphysical(choice) if choice is not None else None,
        peak=peak,
        no_peak=None if peak is not None else no_peak(choice, beyond, curve.sizes[-1]),
        peak_beyond=beyond,
        limit=_limit(choice) if choice is not None else None,
        sentence="",
    )
    return found.model_copy(update={"sentence": sentence(found, choice, rule)})


def _points(curve: Curve, choice: Choice | None, rule: Rule) -> tuple[Point, ...]:
    fitted = choice.nearest.at(curve.sizes).tolist() if choice is not None and choice.law is not None else None
    estimates = [cell.estimate(rule.confidence) for cell in curve.cells]
    each = [estimate.throughput_per_s / size for estimate, size in zip(estimates, curve.sizes, strict=True)]
    return tuple(
        Point(
            cell=estimate.id,
            size=size,
            throughput_per_s=estimate.throughput_per_s,
            low=estimate.low,
            high=estimate.high,
            fitted=fitted[n] if fitted is not None else None,
            efficiency=each[n] / each[0],
        )
        for n, (estimate, size) in enumerate(zip(estimates, curve.sizes, strict=True))
    )


def _fitted(found: Fit) -> FittedLaw:
    has = COLUMNS[found.law]
    return FittedLaw(
        law=found.law,
        per_unit=found.per_unit,
        sigma=found.sigma if has > 1 else None,
        kappa=found.kappa if has > 2 else None,
        misfit=found.misfit,
    )


def _parameters(choice: Choice) -> tuple[Bounds | None, Bounds | None, Bounds | None]:
    """Of the chosen law, and for a cost that it does not have what the universal law still allows."""
    if choice.law is None:
        return None, None, None
    per_unit, sigma, kappa = parameter_bounds(choice.nearest, choice.scale, choice.allowed)
    if kappa is None:
        _, still, kappa = parameter_bounds(choice.universal, choice.scale, choice.allowed)
        sigma = sigma if sigma is not None else still
    return per_unit, sigma, kappa


def _peak(choice: Choice) -> tuple[Bounds | None, float | None]:
    """The peak where the data hold one within reach; else the size below which none can lie, if above one."""
    if choice.law is None:
        return None, None
    low, high = peak_bounds(choice.universal, choice.allowed)
    largest = float(choice.universal.points.sizes.max())
    if choice.law == "universal" and high is not None and high <= REACH * largest:
        value = peak_size(choice.universal.sigma, choice.universal.kappa)
        return Bounds(value=value, low=low, high=high), None
    return None, low if low > 1 else None


def _limit(choice: Choice) -> Bounds | None:
    """What Amdahl's law never exceeds, where the data set both bounds."""
    found = choice.fits["amdahl"]
    if choice.law != "amdahl" or found.sigma <= 0:
        return None
    low, high = limit_bounds(found, choice.allowed)
    return Bounds(value=found.per_unit / found.sigma, low=low, high=high) if high is not None else None
