"""The figures behind the constants and choices between trials, by simulation: run after changing one of them.

    python tests/benchmarks/statistics/between_trials.py [PART ...]

looks    how the error is spent over looks, and when a sequence is given up: inference/sequential.py, power.py
levels   error over all looks: exact levels against levels as if the variance were known
grid     how far the levels are from those on a fine grid, and interpolated ones from their own: sequential.py
family   error of all pairs of many cells over all looks: sequential.py, family.py
equal    how often equal is said, at which confidence, in one look and in several: core/verdict/comparison.py
steps    words and intervals of all pairs, simultaneous and stepwise: comparison.py, stepwise.py
blocks   two cells: blocks as a factor, as random (REML), left out: core/verdict/inference/uncertainty.py
pooling  the variance of a pair of many cells: pooled, or a cell's own: core/verdict/inference/cell_scatter.py
spread   tests of equal scatter on residuals of a block design: core/verdict/inference/components.py
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from functools import lru_cache
from itertools import combinations
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from orchestrator.core.verdict.comparison import margin_log
from orchestrator.core.verdict.inference import sequential, stepwise
from orchestrator.core.verdict.inference.block_design import additive_fit
from orchestrator.core.verdict.inference.cell_scatter import cell_scatters, paired_by_design
from orchestrator.core.verdict.inference.components import same_spread
from orchestrator.core.verdict.inference.family import Family, Look
from orchestrator.core.verdict.inference.sequential import nominal_level
from orchestrator.core.verdict.inference.simultaneous import confidence_all_pairs
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, Scatter, student

Floats: TypeAlias = NDArray[np.float64]
Bools: TypeAlias = NDArray[np.bool_]

#: Not the seed of any test.
SEED = 2026
PLANNED = (3, 4, 5, 6, 8, 10)
BOUND = margin_log(0.02)


def main(parts: list[str]) -> int:
    """Print the parts that are named, or all."""
    known = (looks, levels, grid, family, equal, steps, blocks, pooling, spread)
    for part in [part for part in known if not parts or part.__name__ in parts]:
        print(f"## {part.__name__}")
        for line in part(np.random.default_rng(SEED)):
            print(line, flush=True)
    return 0


def _means(logs: Floats, look: int) -> tuple[Floats, Floats]:
    seen = logs[:, :look]
    return seen.mean(axis=1), seen.std(axis=1, ddof=1) / math.sqrt(look)


def looks(rng: np.random.Generator) -> Iterator[str]:
    """Share decided rightly and blocks used, for each way to spend the error and to give up."""
    runs = 40_000
    truth = np.log(rng.choice([1, 1.02, 1.05, 1.1], runs, p=[0.4, 0.2, 0.2, 0.2]))
    sd = rng.uniform(0.003, 0.03, runs)
    logs = truth[:, np.newaxis] + rng.standard_normal((runs, 10)) * sd[:, np.newaxis] * math.sqrt(2)
    chosen = sequential._SPENDING_POWER
    for power in (1.0, 1.5, 2.0):
        _spend(power)
        found = _nominal_levels(PLANNED, 0.95)
        for hopeless in (0.0, 0.1, 0.2) if power == chosen else (0.0,):
            yield f"power {power}, given up below {hopeless:.0%}: {_sequence(logs, truth, found, hopeless)}"
    _spend(chosen)
    yield f"constant level .0129: {_sequence(logs, truth, (0.0129,) * len(PLANNED), 0.0)}"


def _spend(power: float) -> None:
    sequential._SPENDING_POWER = power
    sequential._levels.cache_clear()
    sequential._interpolated.cache_clear()


def _sequence(logs: Floats, truth: Floats, found: tuple[float, ...], hopeless: float) -> str:
    word, used = np.zeros(len(logs), dtype=np.int64), np.zeros(len(logs))
    for look, level in zip(PLANNED, found, strict=True):
        mean, error = _means(logs, look)
        half = stats.t.isf(level / 2, look - 1) * error
        said = np.where(np.abs(mean) + half <= BOUND, 3, np.where(mean > half, 1, np.where(mean < -half, 2, 0)))
        now = (used == 0) & (said > 0)
        word[now], used[now] = said[now], look
        if look < PLANNED[-1]:
            given_up = _chance(mean, error * math.sqrt(look), look, found[-1]) < hopeless
            used[(used == 0) & given_up] = look
    used[used == 0] = PLANNED[-1]
    right = np.where(truth == 0, word == 3, word == 1)
    false_equal = (word == 3)[(truth > 0) & (truth < 0.03)]
    return (
        f"right {right.mean():.1%}, blocks {used.mean():.2f}, type I "
        f"{np.isin(word, (1, 2))[truth == 0].mean():.2%}, equal said at 1.02 {false_equal.mean():.2%}"
    )


def _chance(mean: Floats, sd: Floats, look: int, level: float) -> Floats:
    """Predictive power as in power.chance_to_decide, for many experiments at once."""
    last = PLANNED[-1]
    half = stats.t.isf(level / 2, last - 1) * sd / math.sqrt(last)
    spread_ = sd * math.sqrt(1 / look - 1 / last)
    low, high = (np.asarray(special.stdtr(look - 1, (end - mean) / spread_)) for end in (-half, half))
    room = np.maximum(0.0, BOUND - half)
    inside = special.stdtr(look - 1, (room - mean) / spread_) - special.stdtr(look - 1, (-room - mean) / spread_)
    return np.asarray(np.minimum(1.0, low + 1 - high + inside))


def levels(rng: np.random.Generator) -> Iterator[str]:
    """Paired experiments without a difference: how many find one at some look."""
    logs = rng.standard_normal((400_000, 10))
    for planned in ((2, 3, 4, 5, 6, 8, 10), PLANNED):
        exact = _nominal_levels(planned, 0.95)
        known = _own_levels(planned, 0.05, 4000.0)
        for name, found in (("exact", exact), ("variance as if known", known)):
            erred = np.zeros(len(logs), dtype=bool)
            for look, level in zip(planned, found, strict=True):
                mean, error = _means(logs, look)
                erred |= np.abs(mean) > stats.t.isf(level / 2, look - 1) * error
            yield f"looks {planned}, {name}: {erred.mean():.2%}"


def _nominal_levels(planned: tuple[int, ...], confidence: float, df_per_block: float = 1.0) -> tuple[float, ...]:
    return tuple(nominal_level(look, planned, confidence, df_per_block) for look in planned)


def _own_levels(planned: tuple[int, ...], error: float, per_block: float) -> list[float]:
    """Levels at this error, not interpolated."""
    found = sequential._levels(planned, planned[-1], error, per_block)
    return [found.at(place) for place in range(len(planned))]


def grid(_rng: np.random.Generator) -> Iterator[str]:
    """Largest relative distance of the levels from those on 400 cells, and of interpolated levels from their own."""
    usual = sequential._CELLS_ALONE, sequential._CELLS
    cases = [(sequential.looks(*ends), error) for ends in ((2, 10), (3, 12), (3, 30)) for error in (0.05, 0.01, 0.0004)]
    for per_block in (1.0, 2.0, 5.0, 17.0):
        found: list[Floats] = []
        for cells in (usual, (400, 400)):
            sequential._CELLS_ALONE, sequential._CELLS = cells
            sequential._levels.cache_clear()
            found.append(np.concatenate([_own_levels(planned, error, per_block) for planned, error in cases]))
        yield f"{per_block:g} degrees of freedom a block: {np.abs(found[0] / found[1] - 1).max():.1%} from 400 cells"
        sequential._CELLS_ALONE, sequential._CELLS = usual
        sequential._levels.cache_clear()
        apart = [
            np.array(_nominal_levels(PLANNED, 1 - error, per_block)) / _own_levels(PLANNED, error, per_block) - 1
            for error in np.geomspace(0.0004, 0.05, 9).tolist()
        ]
        yield f"{per_block:g} degrees of freedom a block: interpolated {np.abs(apart).max():.1%} from their own"


def family(rng: np.random.Generator) -> Iterator[str]:
    """Equal cells, the variance pooled over all: how many experiments call some pair different at some look."""
    for sizes, runs in (((3,), 40_000), ((6,), 40_000), ((6, 6, 6, 6), 12_000)):
        cells = sum(sizes)
        logs = rng.standard_normal((runs, cells, PLANNED[-1]))
        erred, plain = np.zeros(runs, dtype=bool), np.zeros(runs, dtype=bool)
        for look in PLANNED:
            seen = logs[:, :, :look]
            means, df = seen.mean(axis=2), (cells - 1) * (look - 1)
            left = seen - means[:, :, None] - seen.mean(axis=1)[:, None] + seen.mean(axis=(1, 2))[:, None, None]
            error = np.sqrt(2 * (left**2).sum(axis=(1, 2)) / df / look)
            loads = np.split(means, np.cumsum(sizes)[:-1], axis=1)
            widest = np.max([np.ptp(load, axis=1) for load in loads], axis=0)
            estimate = LogEstimate(0.0, look, 1.0, df, Scatter(1.0, cells - 1.0))
            erred |= widest > student(Family(0.95, sizes, Look(look, PLANNED)).of_pair(estimate), df) * error
            plain |= widest > student(Family(0.95, sizes).of_pair(estimate), df) * error
        yield f"cells {sizes}: {erred.mean():.2%}, at each look by the levels of a single one {plain.mean():.2%}"


def equal(rng: np.random.Generator) -> Iterator[str]:
    """How often equal is said of two cells, by the interval at 95 % and at 98 %, margin 2 %."""
    runs = 40_000
    for ratio in (1.0, 1.02, 1.05):
        sd = np.exp(rng.uniform(math.log(0.003), math.log(0.03), runs))
        logs = math.log(ratio) + rng.standard_normal((runs, 10)) * sd[:, np.newaxis] * math.sqrt(2)
        blocks_ = rng.integers(3, 11, runs)
        for confidence in (0.95, 0.98):
            once, ever = np.zeros(runs, dtype=bool), np.zeros(runs, dtype=bool)
            for look in range(3, 11):
                mean, error = _means(logs, look)
                once |= (blocks_ == look) & (np.abs(mean) + student(confidence, look - 1) * error <= BOUND)
                if look in PLANNED:
                    each = 1 - sequential.nominal_level(look, PLANNED, confidence)
                    ever |= np.abs(mean) + student(each, look - 1) * error <= BOUND
            rates = f"{once.mean():.2%}, in several looks {ever.mean():.2%}"
            yield f"true ratio {ratio}, interval at {confidence:.0%}: {rates}"


def steps(rng: np.random.Generator) -> Iterator[str]:
    """All pairs of shapes, some plainly different, 20 degrees of freedom: wrong words and intervals that miss."""
    runs, df = 2000, 20.0

    @lru_cache
    def half(sizes: tuple[int, ...]) -> float:
        return student(confidence_all_pairs(0.95, sizes, df), df)

    def shown(estimate: LogEstimate, sizes: tuple[int, ...]) -> bool:
        return abs(estimate.value) > half(sizes) * (estimate.error or 0.0)

    for truth in ((0, 30, 60, 60), (0, 30, 60, 60.3), (0, 20, 40, 60, 80, 80.2)):
        shapes, seen = len(truth), np.zeros((runs, 3), dtype=bool)
        for run in range(runs):
            means, scatter = rng.normal(truth, math.sqrt(0.5)), math.sqrt(rng.chisquare(df) / df)
            order = np.argsort(means)
            pairs = {
                (a, b): LogEstimate(float(means[order[b]] - means[order[a]]), 5, scatter, df)
                for a, b in combinations(range(shapes), 2)
            }
            decided = stepwise.steps([stepwise.Load(shapes, pairs)], 0.95, shown)
            for (a, b), estimate in pairs.items():
                off = estimate.value - (truth[order[b]] - truth[order[a]])
                sizes = decided.get((0, (a, b)))
                near = half(sizes or (shapes,)) * scatter
                far = half((shapes,)) * scatter
                wrong = sizes is not None and truth[order[b]] <= truth[order[a]]
                seen[run] |= (wrong, abs(off) > far, off > near or off < -far)
        word, simultaneous, given = seen.mean(axis=0)
        yield (
            f"true means {truth} errors: a word wrong {word:.1%}, a simultaneous interval misses {simultaneous:.1%}, "
            f"one with the near end of its step {given:.1%}"
        )


def blocks(rng: np.random.Generator) -> Iterator[str]:
    """Type I error of three analyses of two cells in blocks; sd of a trial 1."""
    runs = 200_000
    for count in (3, 5, 10):
        for block_sd in (0.0, 0.5, 1.0, 3.0):
            for name, heavy, uneven in (("normal", False, 1.0), ("heavy", True, 1.0), ("unequal sds", False, 2.5)):
                size = (runs, 2, count)
                luck = rng.standard_t(4, size) / math.sqrt(2) if heavy else rng.standard_normal(size)
                luck[:, 1] *= uneven
                shared = 2 * block_sd * rng.standard_normal((runs, count))
                between = (luck[:, 1] - luck[:, 0]).var(axis=1, ddof=1)
                sums = (luck[:, 1] + luck[:, 0] + shared).var(axis=1, ddof=1)
                t = (luck[:, 1] - luck[:, 0]).mean(axis=1) * math.sqrt(count)
                clamped = sums < between
                random = np.where(clamped, (sums + between) / 2, between)
                df = np.where(clamped, 2 * (count - 1), count - 1)
                rates = (
                    _beyond(t, between, count - 1).mean(),
                    _beyond(t, random, df).mean(),
                    _beyond(t, (sums + between) / 2, 2 * (count - 1)).mean(),
                )
                shown = ", ".join(f"{n} {r:.2%}" for n, r in zip(("factor", "random", "left out"), rates, strict=True))
                yield f"{count} blocks of sd {block_sd}, {name}: {shown}"


def _beyond(t: Floats, variance: Floats, df: Floats | int) -> Bools:
    return np.asarray(np.abs(t) / np.sqrt(variance) > stats.t.isf(0.025, df))


def pooling(rng: np.random.Generator) -> Iterator[str]:
    """Each cell against the first at a family-wise 5 % (Bonferroni), by `cell_scatters` and by the pooled variance."""
    for cells, count in ((4, 3), (8, 3), (8, 5)):
        for noisy, name in ((None, "all alike"), (0, "the base three times"), (1, "another three times")):
            error, power = np.zeros(2), np.zeros(2)
            for _ in range(1500):
                logs = rng.standard_normal((cells, count))
                if noisy is not None:
                    logs[noisy] *= 3
                error += _found(logs, range(1, cells))
                logs[-1] += 3.2 * math.sqrt(2 / count)
                power += _found(logs, [cells - 1])
            shown = [
                f"{n} {e / 1500:.1%} / {p / 1500:.0%}"
                for n, e, p in zip(("guarded", "pooled"), error, power, strict=True)
            ]
            yield f"{cells} cells, {count} blocks, {name}: error / power {', '.join(shown)}"


def _found(logs: Floats, others: range | list[int]) -> Floats:
    cells = [dict(enumerate(row)) for row in logs.tolist()]
    fit, scatters = additive_fit(cells), cell_scatters(cells)
    assert fit is not None
    assert scatters is not None
    each = 1 - 0.05 / (len(cells) - 1)
    half = student(each, fit.df) * math.sqrt(2 * fit.variance / logs.shape[1])
    found = [paired_by_design(cells[0], cells[other], (scatters[0], scatters[other])) for other in others]
    guarded = any(abs(f.value) > (f.interval(each) or (0.0, 0.0))[1] - f.value for f in found)
    return np.array([guarded, any(abs(f.value) > half for f in found)], dtype=np.float64)


def spread(rng: np.random.Generator) -> Iterator[str]:
    """How often each test of equal scatter speaks at 5 %."""
    for cells, count in ((3, 3), (6, 4), (12, 5), (24, 3)):
        for name, heavy, noisy in (("alike", False, 1.0), ("alike, heavy tails", True, 1.0), ("one 3 x", False, 3.0)):
            spoke: dict[str, int] = dict.fromkeys(("Bartlett", "Levene mean", "Brown-Forsythe", "without zeros"), 0)
            for _ in range(1500):
                logs = rng.standard_t(4, (cells, count)) if heavy else rng.standard_normal((cells, count))
                logs[0] *= noisy
                left = logs - logs.mean(axis=1)[:, np.newaxis] - logs.mean(axis=0) + logs.mean()
                spoke["Bartlett"] += int(stats.bartlett(*left).pvalue < 0.05)
                spoke["Levene mean"] += int(stats.levene(*left, center="mean").pvalue < 0.05)
                for kind, zeros in (("Brown-Forsythe", True), ("without zeros", False)):
                    found = same_spread(left.tolist(), structural_zeros=zeros)
                    spoke[kind] += found is not None and found[2] < 0.05
            yield f"{cells} cells, {count} blocks, {name}: " + ", ".join(
                f"{k} {v / 1500:.1%}" for k, v in spoke.items()
            )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
