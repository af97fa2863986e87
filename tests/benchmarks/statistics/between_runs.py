"""Scores comparisons of runs with known truth, through the public ``compare_runs``, and prints them beside targets.

    python tests/benchmarks/statistics runs [--count N] [--seed N] [--quick] [--part P]

A run has 1 to 12 cells of one load in 3 to 8 blocks; trials scatter by .3 to 3 %, alike, with one cell that scatters
more, or each cell its own; what a block's cells share scatters by 0 to 2 %. The margin is 3 %. ``one`` is one run a
side where runs differ by nothing but their trials; ``moved`` the same where what a run's trials share differs from run
to run, in half of them in some cells more than in others, which one run a side cannot see; ``several`` is a base of
several runs of that kind. ``stopped`` is one run a side of three shapes, each run ended once it decides about them, as
plans with ``until: decided`` do; ``pooling`` is the scatter of trials as all cells of a load tell it against each
cell's own. These two are not in --quick.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from counting import Share
from experiments import GIB, any_sd
from table import Figure, show_figures

from orchestrator.core.record.run import PlannedTrial, RunRecord, StoredRun
from orchestrator.core.verdict.between_runs import run_scatter
from orchestrator.core.verdict.between_runs.compared import compare_runs
from orchestrator.core.verdict.between_runs.estimates import Mean, between_two
from orchestrator.core.verdict.between_runs.results import Change, Overall
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.inference.sequential import looks
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.stopping import enough_blocks

MARGIN = 0.03
CONFIDENCE = 0.95
QUICK = 80
MOST_CELLS = 12
#: True ratios where cells changed; a share of them is 1.
RATIOS = (1.01, 1.02, 1.03, 1.05, 1.08)
#: What a run's trials share: another placement of the guest, another day.
RUN_SD = 0.01


@dataclass(frozen=True)
class Kind:
    """How the runs of a comparison are made.

    Attributes:
        base_runs: how many.
        run_sd: of what all trials of a cell share in one run; half of its variance is shared by all cells.
        changed: whether cells have changed in truth.
        most_sd: of trials.
        blocks: of each run; ``None`` for 3 to 8.
        cells: ``None`` for 1 to 12.
    """

    base_runs: int = 1
    run_sd: float = 0.0
    changed: bool = False
    most_sd: float = 0.03
    blocks: int | None = None
    cells: int | None = None


@dataclass
class Score:
    """What is counted over comparisons of one kind."""

    family_wise: Share = field(default_factory=Share)
    covered: Share = field(default_factory=Share)
    overall_error: Share = field(default_factory=Share)
    overall_covered: Share = field(default_factory=Share)
    wrong_side: Share = field(default_factory=Share)
    false_equal: Share = field(default_factory=Share)
    false_not_worse: Share = field(default_factory=Share)
    equal_found: Share = field(default_factory=Share)
    passed: Share = field(default_factory=Share)
    false_pass: Share = field(default_factory=Share)
    found: dict[float, Share] = field(default_factory=dict)

    def add(self, ratios: dict[str, float], changes: Sequence[Change], overall: Overall | None, name: str) -> None:
        """Count one comparison."""
        self.family_wise.add(any(_is_false(each, ratios[each.cell]) for each in changes), name)
        intervals = [each for each in changes if each.low is not None and each.correction != "Holm, stepwise"]
        self.covered.add(all(_covers(each, ratios[each.cell]) for each in intervals), name)
        if overall is not None and overall.low is not None and overall.high is not None:
            truth = math.exp(math.fsum(map(math.log, ratios.values())) / len(ratios))
            self.overall_covered.add(overall.low <= truth <= overall.high, name)
            if math.isclose(truth, 1):
                self.overall_error.add(overall.verdict in {"faster", "slower"}, name)
        lost = any(ratio < 1 / (1 + MARGIN) + 1e-9 for ratio in ratios.values())
        (self.false_pass if lost else self.passed).add(all(each.not_worse for each in changes), name)
        for each in changes:
            self._add_cell(each, ratios[each.cell], name)

    def _add_cell(self, each: Change, ratio: float, name: str) -> None:
        size = math.exp(abs(math.log(ratio)))
        if math.isclose(ratio, 1):
            self.equal_found.add(each.verdict == "equivalent", name)
        else:
            right = "faster" if ratio > 1 else "slower"
            self.wrong_side.add(each.verdict in {"faster", "slower"} and each.verdict != right, name)
            self.found.setdefault(round(size, 2), Share()).add(each.verdict == right, name)
        if size >= 1 + MARGIN - 1e-9:
            self.false_equal.add(each.verdict == "equivalent", name)
            if ratio < 1:
                self.false_not_worse.add(each.not_worse, name)


def _is_false(each: Change, ratio: float) -> bool:
    """Called faster or slower and is not: equal in truth, or the other way round."""
    if each.verdict not in {"faster", "slower"}:
        return False
    return math.isclose(ratio, 1) or (each.verdict == "faster") != (ratio > 1)


def _covers(each: Change, ratio: float) -> bool:
    return each.low is not None and each.high is not None and each.low <= ratio <= each.high


def main(arguments: Sequence[str]) -> int:
    """Score and print."""
    parser = argparse.ArgumentParser(
        prog="statistics runs", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=2000, metavar="N", help="comparisons of each kind (2000)")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} comparisons of each kind")
    parser.add_argument("--part", choices=list(PARTS), help="only this one")
    options = parser.parse_args(arguments)
    count = QUICK if options.quick else options.count
    print(f"{count} comparisons of each kind, seed {options.seed}")
    for name, part in PARTS.items():
        if options.part == name or (options.part is None and not (options.quick and name in SLOW)):
            began = time.perf_counter()
            for title, figures in part(count, options.seed):
                show_figures(title, figures)
            print(f"({time.perf_counter() - began:.0f} s)")
    return 0


def one(count: int, seed: int) -> Iterator[tuple[str, list[Figure]]]:
    """One run a side, runs that differ by nothing but their trials."""
    same, changed = _score(Kind(), count, seed), _score(Kind(changed=True), count, seed)
    power = _score(Kind(changed=True, most_sd=0.01, blocks=5), count, seed)
    yield (
        "One run a side, whose runs differ by their trials only",
        [
            same.family_wise.figure("family-wise error of all cells' words", at_most=5),
            same.covered.figure("all intervals of a comparison cover", at_least=95),
            changed.covered.figure("the same where cells changed", at_least=95),
            same.overall_error.figure("error of the word over all cells", at_most=5),
            changed.overall_covered.figure("the interval over all cells covers", at_least=94),
            changed.family_wise.figure("family-wise error where cells changed", at_most=5),
            changed.wrong_side.figure("wrong side", at_most=0.3),
            changed.false_equal.figure("equal said at or beyond the margin", at_most=1),
            changed.false_not_worse.figure("not worse said of a cell that lost the margin or more", at_most=2.5),
            changed.false_pass.figure("all said not worse where some cell lost that", at_most=2.5),
            same.passed.figure("all said not worse where none changed"),
            same.equal_found.figure("equal cells called equal"),
            *_power(changed, "any scatter"),
            *_power(power, "5 blocks, sd to 1 %"),
            _score(Kind(most_sd=0.01, blocks=5), count, seed).passed.figure("  all said not worse where none changed"),
        ],
    )


def moved(count: int, seed: int) -> Iterator[tuple[str, list[Figure]]]:
    """One run a side, where runs differ: what its intervals do not hold."""
    rows = []
    for run_sd in (0.0025, 0.005, RUN_SD):
        score = _score(Kind(run_sd=run_sd), count, seed)
        rows.append(score.family_wise.figure(f"family-wise error, runs differ by {100 * run_sd:g} %"))
        rows.append(score.overall_error.figure("  error of the word over all cells"))
    yield "One run a side, whose runs differ beyond their trials: what one run cannot know", rows


def several(count: int, seed: int) -> Iterator[tuple[str, list[Figure]]]:
    """A base of several runs, runs that differ."""
    for runs in (2, 4, 8):
        rows = []
        for run_sd in (0.0, RUN_SD):
            kind = Kind(base_runs=runs, run_sd=run_sd)
            same, changed = _score(kind, count, seed), _score(Kind(runs, run_sd, changed=True), count, seed)
            rows += [
                same.family_wise.figure(f"runs differ by {100 * run_sd:g} %: family-wise error", at_most=5),
                same.covered.figure("  all intervals of a comparison cover", at_least=95),
                same.overall_error.figure("  error of the word over all cells", at_most=5),
                changed.false_equal.figure("  equal said at or beyond the margin", at_most=1),
                changed.false_pass.figure("  all said not worse where some cell lost that", at_most=2.5),
                same.passed.figure("  all said not worse where none changed"),
                *_power(changed, "  any scatter"),
            ]
        yield f"A base of {runs} runs", rows


def stopped(count: int, seed: int) -> Iterator[tuple[str, list[Figure]]]:
    """One run a side, each ended by a look at itself; runs that differ by nothing but their trials."""
    rows = []
    for sd in (0.005, 0.01, 0.02):
        wrong, covered, blocks = Share(), Share(), []
        for number in range(max(1, count // 4)):
            rng = np.random.default_rng([seed, number, round(sd * 1e4)])
            base, new = (_ended_when_decided(rng, sd, name) for name in ("base", "new"))
            found = compare_runs([base], new, margin=MARGIN, confidence=CONFIDENCE, per="second")
            wrong.add(any(_is_false(each, 1.0) for each in found.changes), f"{seed}:{number}")
            covered.add(all(_covers(each, 1.0) for each in found.changes), f"{seed}:{number}")
            blocks.append(found.changes[0].base_trials)
        rows += [
            wrong.figure(f"sd {100 * sd:g} %: family-wise error", at_most=5),
            covered.figure("  all intervals of a comparison cover", at_least=95),
            Figure("  blocks", float(np.mean(blocks)), unit=""),
        ]
    yield "One run a side, each ended once it decides about its own shapes", rows


def _ended_when_decided(rng: np.random.Generator, sd: float, name: str) -> Side:
    """Three shapes 3 to 4 % apart, at most ten blocks."""
    planned = looks(3, 10)
    whole = _run(rng, np.log([1.0, 1.04, 1.07]), np.full(3, sd), 10, 0.005, np.zeros(3), name)
    for blocks in planned:
        seen = Evidence(tuple(o for o in whole.evidence.observations if o.block is not None and o.block <= blocks))
        stop = enough_blocks(seen, Rule(margin=MARGIN, looks=planned), planned)
        if blocks == planned[-1] or (stop is not None and stop.enough):
            return Side(whole.run, seen)
    return whole


def pooling(count: int, seed: int) -> Iterator[tuple[str, list[Figure]]]:
    """Family-wise error of equal cells and width of intervals, pooled wherever that can be, over each cell's own."""
    kept = run_scatter._FEWEST_CELLS, run_scatter._ENOUGH
    try:
        run_scatter._FEWEST_CELLS, run_scatter._ENOUGH = 2, 1000
        for cells in (2, 3, 8, 12):
            rows = []
            for blocks in (3, 5, 10):
                for how, apart in (("alike", 0.0), ("sd from .4 to 2.7", 1.0)):
                    rng = np.random.default_rng([seed, cells, blocks, round(apart)])
                    sds = 0.01 * np.exp(np.linspace(-apart, apart, cells))
                    rows += _pooled_and_own(rng, sds, blocks, count, f"{blocks} blocks, {how}")
            yield f"{cells} cells, pooled or each by itself", rows
    finally:
        run_scatter._FEWEST_CELLS, run_scatter._ENOUGH = kept


def _pooled_and_own(rng: np.random.Generator, sds: np.ndarray, blocks: int, count: int, name: str) -> list[Figure]:
    pooled, own, wider = Share(), Share(), []
    alone = 1 - (1 - CONFIDENCE) / len(sds)
    for _ in range(count):
        runs = [rng.standard_normal((blocks, len(sds))) * sds + rng.standard_normal((blocks, 1)) * 0.005 for _ in "12"]
        cells = [[dict(enumerate(column)) for column in run.T.tolist()] for run in runs]
        together = [run_scatter.trial_scatters(of_run) for of_run in cells]
        apart = [[run_scatter.trial_scatters([cell])[0] for cell in of_run] for of_run in cells]
        for scatters, share in ((together, pooled), (apart, own)):
            found = [
                between_two(
                    *(Mean(float(run[:, n].mean()), blocks, of[n]) for run, of in zip(runs, scatters, strict=True))
                )
                for n in range(len(sds))
            ]
            ends = [each.interval(alone) or (-math.inf, math.inf) for each in found]
            share.add(any(low > 0 or high < 0 for low, high in ends), "")
            wider.append(float(np.mean([high - low for low, high in ends])))
    ratio = float(np.median(wider[0::2]) / np.median(wider[1::2]))
    return [
        pooled.figure(f"{name}: family-wise error, pooled", at_most=5),
        own.figure("  each by itself", at_most=5),
        Figure("  width of the intervals, pooled over each by itself", ratio, unit="", digits=2),
    ]


#: Left out of a quick run.
SLOW = ("stopped", "pooling")
PARTS: dict[str, Callable[[int, int], Iterator[tuple[str, list[Figure]]]]] = {
    "one": one,
    "moved": moved,
    "several": several,
    "stopped": stopped,
    "pooling": pooling,
}


def _power(score: Score, where: str) -> list[Figure]:
    return [
        score.found[ratio].figure(f"{where}: power at {100 * (ratio - 1):.0f} %")
        for ratio in sorted(score.found)
        if ratio >= 1.05
    ]


def _score(kind: Kind, count: int, seed: int) -> Score:
    score = Score()
    for number in range(count):
        rng = np.random.default_rng([seed, number, kind.base_runs, round(kind.run_sd * 1e4), kind.changed])
        ratios, base, new = _comparison(rng, kind)
        found = compare_runs(base, new, margin=MARGIN, confidence=CONFIDENCE, per="second")
        score.add(ratios, found.changes, found.overall, f"{seed}:{number}")
    return score


def _comparison(rng: np.random.Generator, kind: Kind) -> tuple[dict[str, float], list[Side], Side]:
    cells = kind.cells or int(rng.integers(1, MOST_CELLS + 1))
    blocks = kind.blocks or int(rng.integers(3, 9))
    sds = _sds(rng, cells, kind.most_sd)
    block_sd = float(rng.uniform(0, 0.02))
    truth = np.ones(cells)
    if kind.changed:
        moved_cells = rng.random(cells) < 0.5
        truth[moved_cells] = rng.choice(RATIOS, moved_cells.sum()) ** rng.choice([-1, 1], moved_cells.sum())
    run_sds = kind.run_sd * (np.exp(rng.uniform(-0.5, 0.5, cells)) if rng.random() < 0.5 else np.ones(cells))
    base = [_run(rng, np.zeros(cells), sds, blocks, block_sd, run_sds, f"base-{n}") for n in range(kind.base_runs)]
    new = _run(rng, np.log(truth), sds, blocks, block_sd, run_sds, "new")
    return {identity.id: float(truth[n]) for n, identity in enumerate(new.identities)}, base, new


def _sds(rng: np.random.Generator, cells: int, most: float) -> np.ndarray:
    """Alike, one that scatters two to four times as much, or each its own within a factor of about three."""
    sd = any_sd(rng, most=most)
    match rng.choice(["alike", "one more", "each its own"], p=[0.5, 0.25, 0.25]):
        case "alike":
            return np.full(cells, sd)
        case "one more":
            return sd * np.where(np.arange(cells) == rng.integers(cells), rng.uniform(2, 4), 1.0)
        case _:
            return np.asarray(np.minimum(sd * np.exp(rng.uniform(-0.5, 0.5, cells)), 0.04))


def _run(  # noqa: PLR0917 - one argument for each property of a run
    rng: np.random.Generator,
    logs: np.ndarray,
    sds: np.ndarray,
    blocks: int,
    block_sd: float,
    run_sds: np.ndarray,
    name: str,
) -> Side:
    """Log-normal trials; half of the variance between runs is shared by all cells."""
    cells = len(logs)
    apart = run_sds * math.sqrt(0.5) * (rng.standard_normal() + rng.standard_normal(cells))
    seen = logs + apart + rng.standard_normal((blocks, 1)) * block_sd + rng.standard_normal((blocks, cells)) * sds
    planned, observed = [], []
    for block in range(blocks):
        for cell in range(cells):
            number, shape = block * cells + cell + 1, f"v{cell + 1}"
            planned.append(
                PlannedTrial.model_construct(
                    id=f"{number:04}", number=number, block=block + 1, shape=shape, workload="bookings", threads=1
                )
            )
            rate = 100 * math.exp(seen[block, cell])
            observed.append(Observation(shape, cell + 1, GIB, "bookings", 1, block + 1, rate))
    record = RunRecord.model_construct(
        id=name,
        title="",
        started_utc="",
        guest="",
        guest_kind="",
        hypervisor="",
        order_rule="",
        seed=0,
        versions={},
        origin="measured",
        plan={
            "shapes": [{"name": f"v{cell + 1}", "vcpus": cell + 1, "memory": GIB} for cell in range(cells)],
            "workloads": [{"name": "bookings", "use": "bookings", "threads": [1]}],
        },
        trials=tuple(planned),
        inputs_sha256={},
    )
    return Side(StoredRun(record, (), "done", name), Evidence(tuple(observed)))
