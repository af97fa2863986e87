"""One trial, scored against the truth: whole series as ``trialbed read`` judges them."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import score_early
from numpy.typing import NDArray
from series import BEYOND, EXTRAS, FAMILIES, NEVER_STEADY, NOISES, SAFE, STEADY_SHARE, WARM_UPS, Truth, series
from table import Figure, show_figures, show_places, show_rows

from orchestrator.core.measure.log import read_log

COUNT = 2000
SEED = 20_261_128
"""Used by no test."""
CONFIDENCE = 0.95
ORACLE = 1.959964
STEADY = (*WARM_UPS, *EXTRAS)


@dataclass(frozen=True)
class Score:
    """What one series was judged, beside its truth.

    Attributes:
        index: within its family.
        truth: of the series.
        refused: called never steady.
        kind: why, in one word, where refused.
        bias: of the mean, relative, with its sign; ``None`` where there is none, as in all below.
        covered: whether the interval holds the true mean.
        width: half-width over the oracle's.
        early: whether the warm-up was still more than one percent away behind the cut.
        wasted_s: steady seconds cut off.
        oracle_bias: relative error of the mean over the true steady part: what chance leaves to one who knows the end.
    """

    index: int
    truth: Truth
    refused: bool
    kind: str = ""
    bias: float | None = None
    covered: bool | None = None
    width: float | None = None
    early: bool | None = None
    wasted_s: int | None = None
    oracle_bias: float | None = None


def drawn(seed: int, family: str, index: int) -> tuple[NDArray[np.float64], Truth]:
    """The series of that number, the same for every count."""
    number = (*FAMILIES, *BEYOND).index(family)
    return series(np.random.default_rng([seed, number, index]), family)


def main(arguments: Sequence[str]) -> int:
    """Print the tables, or one series."""
    options = parsed(arguments)
    seed, count = options.seed, options.count // (10 if options.quick else 1)
    if options.show:
        show = score_early.show_one if options.watched else show_one
        show(seed, options.show[0], int(options.show[1]))
        return 0
    began = time.perf_counter()
    if options.only != "early":
        scores = list(whole(seed, count))
        show_figures(f"Whole series: {len(scores)}, seed {seed}", figures(scores))
        print()
        show_groups(scores)
        print("\n## Warm-ups of other shapes, not counted above\n")
        each = sum(one.truth.family == STEADY[0] for one in scores)
        show_groups([score(index, *drawn(seed, family, index)) for family in BEYOND for index in range(each)], BEYOND)
        show_failures(scores)
    if options.only != "whole":
        score_early.show(seed, max(count // 5, len(STEADY)))
    print(f"\n{time.perf_counter() - began:.0f} s")
    return 0


def parsed(arguments: Sequence[str]) -> argparse.Namespace:
    """The options."""
    parser = argparse.ArgumentParser(prog="python tests/benchmarks/statistics series", description=__doc__)
    parser.add_argument("--count", type=int, default=COUNT, help=f"whole series ({COUNT}); a fifth as many are watched")
    parser.add_argument("--seed", type=int, default=SEED, help=f"of everything that is drawn ({SEED})")
    parser.add_argument("--quick", action="store_true", help="a tenth as many")
    parser.add_argument("--only", choices=("whole", "early"), help="one half of the tables")
    parser.add_argument("--show", nargs=2, metavar=("FAMILY", "INDEX"), help="print one series and its verdict")
    parser.add_argument("--watched", action="store_true", help="with --show: the series that is watched, and each look")
    return parser.parse_args(arguments)


def whole(seed: int, count: int) -> Iterator[Score]:
    """Four in five steady; families in equal parts."""
    for families, share in ((STEADY, STEADY_SHARE), (NEVER_STEADY, 1 - STEADY_SHARE)):
        each = max(round(count * share / len(families)), 1)
        for family in families:
            for index in range(each):
                yield score(index, *drawn(seed, family, index))


def score(index: int, values: NDArray[np.float64], truth: Truth) -> Score:
    """Judge a series and compare."""
    found = read_log(None, values.tolist(), CONFIDENCE)
    if not found.steady:
        return Score(index, truth, refused=True, kind=found.kind or "")
    if truth.mean is None or truth.end is None or truth.sd_of_mean is None:
        return Score(index, truth, refused=False)
    if found.mean is None or found.warm_up_end_s is None:
        raise ValueError("a steady series without a mean")
    cut = int(found.warm_up_end_s)
    oracle = ORACLE * truth.sd_of_mean(max(int(np.isfinite(values[truth.end :]).sum()), 1))
    low, high = found.low, found.high
    return Score(
        index,
        truth,
        refused=False,
        bias=found.mean / truth.mean - 1,
        covered=low is not None and high is not None and low <= truth.mean <= high,
        width=None if low is None or high is None else (high - low) / 2 / oracle,
        early=cut < truth.end,
        wasted_s=max(cut - truth.end, 0),
        oracle_bias=oracle_bias(values, truth),
    )


def oracle_bias(values: NDArray[np.float64], truth: Truth) -> float | None:
    """Relative error of the mean over the true steady part; ``None`` where an absurd value may spoil it."""
    if truth.mean is None or "counter reset" in truth.extras:
        return None
    return abs(float(np.nanmean(values[truth.end :])) / truth.mean - 1)


def show_one(seed: int, family: str, index: int) -> None:
    """Print one series, its truth and its verdict."""
    values, truth = drawn(seed, family, index)
    print("\n".join(f"{second},{value:.10g}" for second, value in enumerate(values.tolist())))
    oracle = None
    if truth.end is not None and truth.sd_of_mean is not None:
        oracle = ORACLE * truth.sd_of_mean(len(values) - truth.end)
    print(f"# truth: {truth}; oracle half-width {oracle}")
    print(f"# found: {read_log(None, values.tolist(), CONFIDENCE)}")
    print(f"# score: {score(index, values, truth)}")


def percent(hits: Sequence[bool | None]) -> float | None:
    """Share of those that are not ``None``, in percent."""
    known = [hit for hit in hits if hit is not None]
    return 100 * sum(known) / len(known) if known else None


def quantile(found: Sequence[float | None], share: float) -> float | None:
    """Of those that are not ``None``."""
    known = [value for value in found if value is not None]
    return float(np.quantile(known, share)) if known else None


def figures(scores: Sequence[Score]) -> list[Figure]:
    """The table that is held to targets."""
    steady = [one for one in scores if one.truth.steady]
    never = [one for one in scores if not one.truth.steady]
    covered = lowest(steady, lambda one: one.covered)
    recall = lowest(never, lambda one: one.refused)
    biases = [None if one.bias is None else 100 * abs(one.bias) for one in steady]
    least = [None if one.oracle_bias is None else 100 * one.oracle_bias for one in steady]
    refused = [one for one in scores if one.refused]
    return [
        Figure("coverage of nominal 95 %", percent([one.covered for one in steady]), 94, 97),
        Figure("  lowest family", covered[1], 90, note=covered[0]),
        Figure("half-width / oracle, median", quantile([one.width for one in steady], 0.5), None, 1.15, "", 2),
        Figure("bias, median", quantile(biases, 0.5), None, 0.06, digits=3),
        Figure("  95th percentile", quantile(biases, 0.95), None, 0.5, digits=2),
        Figure("  of one who knows the end: median", quantile(least, 0.5), digits=3),
        Figure("  of one who knows the end: 95th percentile", quantile(least, 0.95), digits=2),
        Figure("cut too early", percent([one.early for one in steady]), None, 10),
        Figure("  of those with a warm-up", percent([one.early for one in steady if one.truth.end])),
        Figure("wasted, median", quantile([one.wasted_s for one in steady], 0.5), None, 25, "s", 0),
        Figure("  90th percentile", quantile([one.wasted_s for one in steady], 0.9), None, 110, "s", 0),
        Figure("never steady: recall", percent([one.refused for one in never]), 97),
        Figure("  lowest family", recall[1], 92, note=recall[0]),
        Figure("  precision", percent([not one.truth.steady for one in refused]), 95),
        Figure("  false alarm", percent([one.refused for one in steady]), None, 1.5),
        Figure("  named rightly", percent([right(one) for one in never if one.refused])),
    ]


def right(one: Score) -> bool:
    """Whether the kind that was named is the true one; a slow periodic series swings."""
    names = {"slow periodic": "swing", "late step": "step"}
    return one.kind == names.get(str(one.truth.kind), one.truth.kind)


def groups(scores: Sequence[Score], names: Sequence[str] = (*FAMILIES, *NOISES)) -> dict[str, list[Score]]:
    """By family, and steady ones by noise as well; those that are empty are left out."""
    found: dict[str, list[Score]] = {name: [] for name in names}
    for one in scores:
        for name in {one.truth.family, one.truth.noise} if one.truth.steady else {one.truth.family}:
            if name in found:
                found[name].append(one)
    return {name: members for name, members in found.items() if members}


def lowest(scores: Sequence[Score], hit: Callable[[Score], bool | None]) -> tuple[str, float | None]:
    """The family (or noise) with the lowest share."""
    shares = {name: percent([hit(one) for one in members]) for name, members in groups(scores).items()}
    known = {name: share for name, share in shares.items() if share is not None}
    name = min(known, key=lambda key: known[key], default="")
    return name, known.get(name)


def show_groups(scores: Sequence[Score], names: Sequence[str] = (*FAMILIES, *NOISES)) -> None:
    """A line for each family and noise, or for those that are named."""
    header = ("family", "n", "refused %", "coverage %", "width", "bias med", "p95 %", "early %", "wasted s", "p90", "")
    rows = []
    for name, members in groups(scores, names).items():
        biases = [None if one.bias is None else 100 * abs(one.bias) for one in members]
        wasted = [one.wasted_s for one in members]
        cells = [
            (percent([one.refused for one in members]), 1),
            (percent([one.covered for one in members]), 1),
            (quantile([one.width for one in members], 0.5), 2),
            (quantile(biases, 0.5), 3),
            (quantile(biases, 0.95), 2),
            (percent([one.early for one in members]), 1),
            (quantile(wasted, 0.5), 0),
            (quantile(wasted, 0.9), 0),
        ]
        shown = ["" if value is None else f"{value:.{digits}f}" for value, digits in cells]
        rows.append((name, str(len(members)), *shown, _named(members) if not members[0].truth.steady else ""))
    show_rows(header, rows)


def _named(members: Sequence[Score]) -> str:
    kinds = [one.kind[:24] for one in members if one.refused]
    return "named " + ", ".join(f"{kind} {kinds.count(kind)}" for kind in sorted(set(kinds), key=kinds.count)[::-1])


FAILURES: dict[str, Callable[[Score], bool]] = {
    "passed": lambda one: not one.truth.steady and not one.refused,
    "refused": lambda one: one.truth.steady and one.refused,
    "cut early": lambda one: bool(one.early),
    "not covered": lambda one: one.covered is False,
    "bias > .5 %": lambda one: one.bias is not None and abs(one.bias) > 0.005,
    "width > 2": lambda one: one.width is not None and one.width > 2,
}


def show_failures(scores: Sequence[Score]) -> None:
    """Some failures of each kind, by family and index: see them with ``--show FAMILY INDEX``."""
    print(f"\n## Failures of whole series, by index: --show FAMILY INDEX (too early: more than {SAFE:.0%} away)\n")
    for failure, failed in FAILURES.items():
        show_places(failure, [(one.truth.family, one.index) for one in scores if failed(one)])
