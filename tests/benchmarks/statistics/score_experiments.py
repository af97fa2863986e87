"""Scores verdicts against experiments with known truth, through the public ``verdict``, and prints them beside targets.

    python tests/benchmarks/statistics experiments [--count N] [--seed N] [--quick] [--assumed] [--part P] [--show NAME]

Each experiment has a name, such as ``two:17:123`` (part, seed, number), by which ``--show`` makes it again; with trials
that are watched it is the same as long as these are stopped where they were, with ``--assumed`` always.
Two cells rest on trials that were stopped when their interval was within 1 %, blocks until decided and scans on trials
to within 2 %, which is a plan's default. Time is a share of a fixed protocol: 10 minutes a trial, and 10 blocks where
blocks are added until decided.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Sequence

import numpy as np
from counting import Group, Share, Splits, show_names
from experiments import Experiment
from parts import FIRST_LOOK, LAST_LOOK, TWO_CELLS, Banks, experiments_of, is_equal, judge, show, side, true_ratio
from score_scans import score_scans
from table import Figure, show_figures
from trial_bank import FIXED_SECONDS, assumed, watched
from until_decided import until_decided

FIXED_BLOCKS = 10
WATCHED_TRIALS = 120
QUICK = 300


def main(arguments: Sequence[str]) -> int:
    """Score and print."""
    parser = argparse.ArgumentParser(
        prog="statistics experiments", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=2000, metavar="N", help="experiments of each part (2000)")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} experiments of each part")
    parser.add_argument("--assumed", action="store_true", help="assume the trials' lengths and errors: fast")
    parser.add_argument("--part", choices=[name for name, _ in PARTS], help="only this one")
    parser.add_argument("--show", metavar="NAME", help="show one experiment and its verdict")
    options = parser.parse_args(arguments)
    if options.show:
        show(options.show, _banks(int(options.show.split(":")[1]), is_assumed=options.assumed))
        return 0
    banks = _banks(options.seed, is_assumed=options.assumed)
    count = QUICK if options.quick else options.count
    print(f"{count} experiments of each part, seed {options.seed}")
    for name, score in PARTS:
        if options.part in {None, name}:
            began = time.perf_counter()
            score(options.seed, count, banks)
            print(f"({time.perf_counter() - began:.0f} s)")
    return 0


def _banks(seed: int, *, is_assumed: bool) -> Banks:
    """Drawn anew for each run: the trials are those that the product of this moment would stop."""
    found = []
    for number, within in enumerate((0.01, 0.02)):
        rng = np.random.default_rng([seed, number])
        bank = assumed(rng, within) if is_assumed else watched(rng, WATCHED_TRIALS, within)
        print(f"trials {bank.source}")
        found.append(bank)
    return Banks(*found)


def sd_group(sd: float) -> Group:
    """Experiments of about the same sd."""
    edges = (0.006, 0.01, 0.015, 0.02, 0.03)
    return "sd", next((f"to {100 * edge:.1f} %" for edge in edges if sd <= edge), "> 3 %")


def _groups(experiment: Experiment) -> list[Group]:
    return [
        ("blocks", f"{experiment.blocks}"),
        sd_group(experiment.largest_sd),
        ("tails", "heavy" if experiment.heavy else "normal"),
        ("sds", "equal" if experiment.scatter == "alike" else "unequal"),
    ]


def score_two(seed: int, count: int, banks: Banks) -> None:
    """Type I error, coverage, wrong side, false equal; power; each also by number of blocks and by sd."""
    type_1, covered, wrong, false_equal, at_margin, said_equal = (Share() for _ in range(6))
    by = Splits()
    for name, experiment in experiments_of("two", seed, count, banks):
        found, groups = judge(experiment, TWO_CELLS).comparisons[0], _groups(experiment)
        ratio = true_ratio(experiment, found)
        inside = found.low is not None and found.high is not None and found.low <= ratio <= found.high
        covered.add(inside, name)
        by.add(groups, "coverage", inside, name)
        different, equal = found.verdict in {"faster", "slower"}, found.verdict == "equivalent"
        if is_equal(ratio):
            type_1.add(different, name)
            said_equal.add(equal, name)
            by.add(groups, "type I", different, name)
            by.add(groups, "equal said", equal, name)
            continue
        wrong.add(different and found.verdict != side(ratio), name)
        false_equal.add(equal, name)
        if abs(math.log(ratio)) < 0.03:
            at_margin.add(equal, name)
        by.add(groups, "right side", found.verdict == side(ratio), name)
    figures = [
        type_1.figure("type I error: ratio 1 called faster or slower", at_most=5),
        covered.figure("coverage of the interval", 94, 98.5),
        wrong.figure("wrong side, of those that differ", at_most=0.3),
        false_equal.figure("false equal, of those at or beyond the margin", at_most=0.3),
        at_margin.figure("  of those exactly at the margin (ratio 1.02)"),
        said_equal.figure("equal said where equal"),
        _power("power2", seed, count, banks).figure("power at 2 %: sd .3-1 %, 5 blocks", at_least=90),
        _power("even2", seed, count, banks).figure("  sd spread evenly instead of its logarithm"),
        _power("early2", seed, count, banks).figure("  errors within early-stopped trials on top of the sd"),
        _power("power5", seed, count, banks).figure("power at 5 %: sd .3-2 %, 5 blocks", at_least=97),
        _power("even5", seed, count, banks).figure("  sd spread evenly instead of its logarithm"),
        _power("early5", seed, count, banks).figure("  errors within early-stopped trials on top of the sd"),
    ]
    show_figures("two cells, margin 2 %", figures)
    by.show(("coverage", "type I", "right side", "equal said"))
    show_names({"type I": type_1, "wrong side": wrong, "false equal": false_equal})


def _power(part: str, seed: int, count: int, banks: Banks) -> Share:
    share = Share()
    for name, experiment in experiments_of(part, seed, max(QUICK, count // 2), banks):
        found = judge(experiment, TWO_CELLS).comparisons[0]
        share.add(found.verdict == side(true_ratio(experiment, found)), name)
    return share


def score_sequential(seed: int, count: int, banks: Banks) -> None:
    """Looks after some blocks until decided, against a fixed protocol."""
    type_1, right, wrong, decided = (Share() for _ in range(4))
    by = Splits()
    blocks: list[int] = []
    spent = fixed = 0.0
    for name, experiment in experiments_of("sequential", seed, count, banks):
        seen, found = until_decided(experiment, TWO_CELLS, FIRST_LOOK, LAST_LOOK)
        word = found.comparisons[0].verdict
        blocks.append(seen.blocks)
        spent += math.fsum(seen.seconds)
        fixed += FIXED_SECONDS * FIXED_BLOCKS * len(experiment.truth)
        ratio = experiment.truth["bookings", 2, "four"] / experiment.truth["bookings", 2, "two"]
        truly = "equivalent" if is_equal(ratio) else side(ratio)
        decided.add(word != "undecided", name)
        right.add(word == truly, name)
        wrong.add(word not in {truly, "undecided"}, name)
        groups: list[Group] = [sd_group(experiment.sd), ("ratio", f"{max(ratio, 1 / ratio):.2f}")]
        by.add(groups, "right", word == truly, name)
        by.add(groups, "wrong", word not in {truly, "undecided"}, name)
        if is_equal(ratio):
            type_1.add(word in {"faster", "slower"}, name)
            by.add(groups, "type I", word in {"faster", "slower"}, name)
    figures = [
        type_1.figure("error over all looks: ratio 1 called faster or slower", at_most=5),
        right.figure("decided right", at_least=65),
        wrong.figure("decided wrongly"),
        decided.figure("decided"),
        Figure(f"lab time, share of {FIXED_BLOCKS} blocks of 10 minutes a trial", 100 * spent / fixed, at_most=40),
        Figure("  the same as a share of 5 such blocks", 200 * spent / fixed),
        Figure("blocks, mean", float(np.mean(blocks)), unit=""),
    ]
    show_figures("blocks until decided, margin 2 %", figures)
    by.show(("right", "wrong", "type I"))
    show_names({"type I": type_1, "wrong": wrong})


PARTS: tuple[tuple[str, Callable[[int, int, Banks], None]], ...] = (
    ("two", score_two),
    ("sequential", score_sequential),
    ("scans", score_scans),
)
