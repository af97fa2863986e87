"""A bank of trials that were stopped early: how long each took, and how far its mean is from the true one.

The trials are series of known truth (:mod:`series`) read second by second by the product's own
:func:`~orchestrator.core.measure.watch.watch` under the plan's defaults, cut at the fixed protocol's ten minutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from series import FAMILIES, NEVER_STEADY, Truth, series

from orchestrator.core.design.plan import Measure, Steady, WarmUp
from orchestrator.core.measure.samples import Throughput
from orchestrator.core.measure.watch import Enough, GaveUp, watch

Floats = NDArray[np.float64]

#: The protocol that time is set against: ten minutes a trial, the first two discarded (common practice).
FIXED_SECONDS = 600.0
#: Looks at a running trial are this far apart: the engine looks each second, which would only cost time here.
LOOK_EVERY = 10
#: Series whose warm-up lasts longer are left out: a step that comes after a trial was stopped is seen by no early stop,
#: and how often it comes is scored with the series.
LATEST_END = 120
CONFIDENCE = 0.95
STEADY = FAMILIES[: -len(NEVER_STEADY)]


@dataclass(frozen=True)
class TrialBank:
    """Trials to draw from, with replacement.

    Attributes:
        seconds: from launch to stop.
        errors: relative error of the steady mean.
        source: where they came from, in words.
    """

    seconds: Floats
    errors: Floats
    source: str

    def draw(self, rng: np.random.Generator, trials: int) -> tuple[Floats, Floats]:
        """So many trials."""
        taken = rng.integers(len(self.seconds), size=trials)
        return self.seconds[taken], self.errors[taken]


def assumed(rng: np.random.Generator, within: float, trials: int = 2000) -> TrialBank:
    """Lengths and errors about as those watched to within 1 or 2 %, without the cost of watching."""
    median, sd = (240, 0.0036) if within <= 0.01 else (170, 0.005)
    seconds = np.clip(np.exp(rng.normal(math.log(median), 0.45, trials)), 70, FIXED_SECONDS)
    return TrialBank(
        seconds, sd * rng.standard_normal(trials), f"assumed: median {median} s, sd of the error {100 * sd:g} %"
    )


def watched(rng: np.random.Generator, trials: int, within: float) -> TrialBank:
    """Steady series watched as a running trial is, until the interval is within a share of the mean.

    Series that the product gives up or calls unsteady are left out, as their trials give no observation; their time
    is shared among the others.
    """
    rules = Measure(
        warm_up=WarmUp(**{"at-least": "10 s", "at-most": "5 min"}),
        steady=Steady(**{"at-least": "60 s", "at-most": "5 min", "until-within": f"{100 * within:g} %"}),
    )
    seconds: list[float] = []
    errors: list[float] = []
    lost = 0.0
    for _ in range(trials):
        values, truth = _series(rng)
        length, mean = watch_one(values, rules)
        if mean is None or truth.mean is None:
            lost += length
            continue
        seconds.append(length)
        errors.append(mean / truth.mean - 1)
    lengths = np.array(seconds) + lost / max(1, len(seconds))
    off = np.array(errors)
    source = (
        f"watched to ± {100 * within:g} %: {len(seconds)} of {trials}, median {np.median(lengths):.0f} s, "
        f"errors rms {100 * np.sqrt(np.mean(off**2)):.2f} %, p95 {100 * np.quantile(np.abs(off), 0.95):.2f} %"
    )
    return TrialBank(lengths, off, source)


def _series(rng: np.random.Generator) -> tuple[Floats, Truth]:
    while True:
        values, truth = series(rng, str(rng.choice(STEADY)), int(FIXED_SECONDS))
        if truth.end is not None and truth.end <= LATEST_END:
            return values, truth


def watch_one(values: Floats, rules: Measure) -> tuple[float, float | None]:
    """Seconds until the watch ended, and the mean; ``None`` where it gave up or the ten minutes were over."""
    n = len(values)
    times = tuple(float(t) for t in range(1, n + 1))
    rates, widths = tuple(float(v) for v in values), (1.0,) * n
    seen = 0
    while seen < n:
        seen = min(n, seen + LOOK_EVERY)
        state = watch(Throughput(times[:seen], widths[:seen], rates[:seen]), 0.0, rules, CONFIDENCE, float(seen))
        if isinstance(state, Enough):
            return float(seen), state.interval.mean
        if isinstance(state, GaveUp):
            return float(seen), None
    return float(n), None
