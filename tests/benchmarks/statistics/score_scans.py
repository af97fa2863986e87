"""Scores scans of shapes and threads: family-wise error over all loads, power, and the shape that is recommended."""

from __future__ import annotations

import math

from counting import Group, Share, Splits, show_names
from experiments import Experiment, smallest_adequate, vcpus_of
from parts import SCANS, Banks, experiments_of, is_false, judge, side, true_ratio
from table import Figure, show_figures
from trial_bank import FIXED_SECONDS

from orchestrator.core.verdict.comparison import Comparison

#: True differences at which power is counted.
LEAST, MOST = 0.04, 0.08
#: A shape nearer to the margin than this can be called right by nobody.
TOO_NEAR = 0.01


def score_scans(seed: int, count: int, banks: Banks) -> None:
    """Everything about scans."""
    _family_wise(seed, count, banks)
    false, power, power_best = (Share() for _ in range(3))
    right, small, big, clear = (Share() for _ in range(4))
    by = Splits()
    spent: list[float] = []
    for name, experiment in experiments_of("scan", seed, count, banks):
        found, groups = judge(experiment, SCANS), _groups(experiment)
        spent += experiment.seconds
        compared = [c for c in found.comparisons if c.question == "size"]
        false.add(any(is_false(experiment, c) for c in compared), name)
        for c in compared:
            ratio = true_ratio(experiment, c)
            if LEAST <= 1 - min(ratio, 1 / ratio) <= MOST:
                seen = c.verdict == side(ratio)
                power.add(seen, name)
                if _has_best(experiment, c):
                    power_best.add(seen, name)
                    by.add(groups, "power", seen, name)
        truly = smallest_adequate(experiment.truth, SCANS.margin)
        for advice in found.recommendations:
            load = advice.workload, advice.threads
            wanted, got = vcpus_of(truly[load]), vcpus_of(advice.shape)
            right.add(got == wanted, name)
            small.add(got < wanted, name)
            big.add(got > wanted, name)
            if not _is_near(experiment, load):
                clear.add(got == wanted, name)
            by.add(groups, "right", got == wanted, name)
            by.add(groups, "too small", got < wanted, name)
            by.add(groups, "too big", got > wanted, name)
    figures = [
        power_best.figure("power at 4-8 %: shapes against the truly best", at_least=72),
        power.figure("  all pairs of shapes"),
        false.figure("some comparison of shapes false, any scan"),
        right.figure("recommendation right", at_least=93),
        small.figure("recommendation too small", at_most=3),
        big.figure("recommendation too big", at_most=5),
        clear.figure("recommendation right, no shape within 1 % of the margin"),
        Figure(
            "lab time, share of as many trials of 10 minutes",
            100 * math.fsum(spent) / len(spent) / FIXED_SECONDS,
            at_most=40,
        ),
    ]
    show_figures("scans and recommendation, margin 3 %", figures)
    by.show(("power", "right", "too small", "too big"))
    show_names({"too small": small, "too big": big, "false comparison": false})


def _family_wise(seed: int, count: int, banks: Banks) -> None:
    shapes, everything = Share(), Share()
    by = Splits()
    for name, experiment in experiments_of("equal", seed, count, banks):
        found = judge(experiment, SCANS).comparisons
        false = any(is_false(experiment, c) for c in found if c.question == "size")
        shapes.add(false, name)
        everything.add(any(is_false(experiment, c) for c in found), name)
        by.add(_groups(experiment), "error", false, name)
    figures = [
        shapes.figure("family-wise error: shapes, over all loads of a scan", at_most=5),
        everything.figure("  over all questions (shapes, threads, growth) together"),
    ]
    show_figures("scans of equal cells, margin 3 %", figures)
    by.show(("error",))
    show_names({"some equal cells called different": shapes})


def _groups(experiment: Experiment) -> list[Group]:
    cells = len(experiment.truth)
    sd = next((f"to {100 * edge:.1f} %" for edge in (0.01, 0.02) if experiment.sd <= edge), "to 3.0 %")
    return [
        ("blocks", f"{experiment.blocks}"),
        ("sd", sd),
        ("kind", experiment.kind),
        ("cells", next(f"to {edge}" for edge in (4, 8, 16, 24) if cells <= edge)),
        ("scatter", experiment.scatter),
        ("tails", "heavy" if experiment.heavy else "normal"),
    ]


def _load_of(experiment: Experiment, load: tuple[str, int]) -> dict[str, float]:
    return {shape: rate for (workload, threads, shape), rate in experiment.truth.items() if (workload, threads) == load}


def _has_best(experiment: Experiment, found: Comparison) -> bool:
    """Whether one of the two shapes is truly the best of its load."""
    rates = _load_of(experiment, (found.workload, found.base_threads))
    return max(rates.values()) in {rates[found.base_shape], rates[found.new_shape]}


def _is_near(experiment: Experiment, load: tuple[str, int]) -> bool:
    rates = _load_of(experiment, load).values()
    return any(abs(rate / max(rates) - (1 - SCANS.margin)) < TOO_NEAR for rate in rates)
