"""How often a history names a change where there is none, and how well it finds and tells apart those that there are.

    python tests/benchmarks/statistics history [--count N] [--seed N] [--quick]

Series of runs with known truth: noise of standard deviation 1 (normal; t with 4 degrees of freedom; AR(1)), and a step,
a drift or both in units of it. A drift's size is from the first run to the last.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from counting import Share
from numpy.typing import NDArray
from table import Figure, show_figures, show_rows

from orchestrator.core.verdict.history.course import Course, course

Noise = Callable[[np.random.Generator, int], NDArray[np.float64]]


def normal(draws: np.random.Generator, n: int) -> NDArray[np.float64]:
    return draws.standard_normal(n)


def heavy(draws: np.random.Generator, n: int) -> NDArray[np.float64]:
    return draws.standard_t(4, n) / math.sqrt(2)


def alike(correlation: float) -> Noise:
    def noise(draws: np.random.Generator, n: int) -> NDArray[np.float64]:
        found = draws.standard_normal(n)
        for at in range(1, n):
            found[at] = correlation * found[at - 1] + math.sqrt(1 - correlation**2) * found[at]
        return found

    return noise


@dataclass(frozen=True)
class Truth:
    """A series: steps as (share of the runs before it, size), a drift over the whole, noise."""

    name: str
    runs: int
    steps: tuple[tuple[float, float], ...] = ()
    drift: float = 0.0
    noise: Noise = normal

    @property
    def kind(self) -> str:
        return "drift and steps" if self.steps and self.drift else "steps" if self.steps else "drift"

    @property
    def places(self) -> tuple[int, ...]:
        return tuple(round(share * self.runs) for share, _ in self.steps)

    def drawn(self, draws: np.random.Generator) -> Course:
        at = np.arange(self.runs)
        level = self.drift * at / (self.runs - 1)
        for place, (_, size) in zip(self.places, self.steps, strict=True):
            level = level + size * (at >= place)
        # As logs: 1 % of scatter between runs.
        return course([float(log) for log in 7 + 0.01 * (level + self.noise(draws, self.runs))])


LEVEL = (
    *(Truth(f"normal, {n} runs", n) for n in (6, 8, 12, 24, 60)),
    *(Truth(f"t(4), {n} runs", n, noise=heavy) for n in (8, 24)),
    *(Truth(f"AR(1) {c}, {n} runs", n, noise=alike(c)) for c in (0.2, 0.5) for n in (12, 40)),
)
#: What the product promises holds for independent normal runs.
PROMISED = 5
CHANGED = (
    Truth("step of 3 in the middle of 12", 12, ((0.5, -3),)),
    Truth("step of 4 in the middle of 8", 8, ((0.5, -4),)),
    Truth("step of 3 before the last 4 of 24", 24, ((20 / 24, -3),)),
    Truth("step of 2 in the middle of 40", 40, ((0.5, -2),)),
    Truth("step of 2 in 40, t(4)", 40, ((0.5, -2),), noise=heavy),
    Truth("step of 2 in 40, AR(1) .3", 40, ((0.5, -2),), noise=alike(0.3)),
    Truth("two steps of 3, 30 runs", 30, ((1 / 3, -3), (2 / 3, -3))),
    Truth("down and up again by 3, 30 runs", 30, ((0.4, -3), (0.6, 3))),
    Truth("drift of 5 over 12", 12, drift=-5),
    Truth("drift of 4 over 24", 24, drift=-4),
    Truth("drift of 6 over 40", 40, drift=-6),
    Truth("drift of 6 over 100", 100, drift=-6),
    Truth("drift of 5, step of 5, 30 runs", 30, ((0.5, -5),), drift=-5),
    Truth("drift of 5 up, step of 5 down, 30 runs", 30, ((0.5, -5),), drift=5),
)
KINDS = ("level", "steps", "drift", "drift and steps", "steps or drift")


def main(arguments: list[str]) -> int:
    """Draw, follow, count."""
    parser = argparse.ArgumentParser(prog="statistics history", description=__doc__)
    parser.add_argument("--count", type=int, default=2000, help="series of each truth")
    parser.add_argument("--seed", type=int, default=7007)
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args(arguments)
    count = min(given.count, 100) if given.quick else given.count
    draws = np.random.default_rng(given.seed)
    _level(draws, count)
    _changed(draws, count)
    return 0


def _level(draws: np.random.Generator, count: int) -> None:
    figures: list[Figure] = []
    for truth in LEVEL:
        found = [truth.drawn(draws) for _ in range(count)]
        share = Share(sum(one.kind != "level" for one in found), count)
        warned = sum(one.neighbours_alike is not None for one in found if one.kind != "level")
        note = f", {warned} of {share.hits} with the remark" if truth.noise not in (normal, heavy) else ""
        figure = share.figure(f"some change named: {truth.name}", at_most=PROMISED if truth.noise is normal else None)
        figures.append(Figure(figure.name, figure.value, figure.at_least, figure.at_most, note=figure.note + note))
    show_figures("Series without a change", figures)


def _changed(draws: np.random.Generator, count: int) -> None:
    rows = []
    place, size, slope = Share(), Share(), Share()
    for truth in CHANGED:
        found = [truth.drawn(draws) for _ in range(count)]
        kinds: Counter[str] = Counter(one.kind for one in found)
        right = sum(one.kind == truth.kind and len(one.steps) == len(truth.steps) for one in found)
        rows.append([truth.name, *(f"{100 * n / count:.1f}" for n in (right, *(kinds[kind] for kind in KINDS))), ""])
        for one in found:
            _count(truth, one, place, size, slope)
    print("\n## Series with a change: percent of what was named (right: the kind and the number of steps)\n")
    show_rows(("truth (sizes in standard deviations)", "right", *KINDS, ""), rows)
    figures = [
        place.figure("the place lies in its set, where the kind and number are right", at_least=94),
        size.figure("the size lies in its interval, likewise", at_least=94),
        slope.figure("a drift lies in its interval, likewise", at_least=92),
    ]
    show_figures("Intervals at 95 %, independent normal runs", figures)


def _count(truth: Truth, found: Course, place: Share, size: Share, slope: Share) -> None:
    if truth.noise is not normal or found.kind != truth.kind or len(found.steps) != len(truth.steps):
        return
    for step, at, (_, height) in zip(found.steps, truth.places, truth.steps, strict=True):
        place.add(step.earliest <= at <= step.latest, truth.name)
        size.add(step.low <= math.exp(0.01 * height) <= step.high, truth.name)
    if found.slope is not None:
        slope.add(found.slope.low <= math.exp(0.01 * truth.drift) <= found.slope.high, truth.name)
