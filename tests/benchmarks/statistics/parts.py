"""The parts of a score: which experiments they are made of, and how one of them is made again by its name."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from experiments import RATIOS, SMALLEST_SD, Bank, Experiment, any_sd, any_two_cells, scan, two_cells

from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import Verdict, verdict

#: Two cells are judged at this margin: a true ratio at or beyond it that is called equivalent is false.
TWO_CELLS = Rule(margin=0.02)
#: Scans and recommendations at the product's own.
SCANS = Rule(margin=0.03)
FIRST_LOOK, LAST_LOOK = 3, 10


@dataclass(frozen=True)
class Banks:
    """Trials to within 1 %, for two cells of fixed blocks, and to within 2 %, the plan's default, for the rest."""

    fine: Bank
    usual: Bank


def make(name: str, banks: Banks) -> Experiment:
    """The experiment of a name such as ``two:17:123``: part, seed, number."""
    part, seed, number = name.split(":")
    rng = np.random.default_rng([int(seed), int(number), *part.encode()])
    match part:
        case "two":
            return any_two_cells(rng, bank=banks.fine)
        case "power2" | "even2" | "early2":
            return _for_power(rng, 1.02, 0.01, part, banks)
        case "power5" | "even5" | "early5":
            return _for_power(rng, 1.05, 0.02, part, banks)
        case "sequential":
            ratio = float(rng.choice(RATIOS, p=[0.4, 0.2, 0.2, 0.2])) ** float(rng.choice([-1, 1]))
            return two_cells(rng, ratio, any_sd(rng), LAST_LOOK, rng.uniform(0, 0.03), bank=banks.usual)
        case "equal":
            return scan(rng, kind="equal", bank=banks.usual)
        case "scan":
            return scan(rng, bank=banks.usual)
    raise ValueError(f"{part} is no part; use two, power2, even2, early2 (or 5), sequential, equal or scan")


def _for_power(rng: np.random.Generator, ratio: float, most: float, part: str, banks: Banks) -> Experiment:
    """Five blocks. ``power``: the sd is that of trials as they repeat; ``even``: the same, the sd itself spread evenly;
    ``early``: the errors of trials that were stopped early come on top."""
    sd = rng.uniform(SMALLEST_SD, most) if part.startswith("even") else any_sd(rng, most=most)
    bank = banks.fine if part.startswith("early") else None
    return two_cells(rng, ratio ** float(rng.choice([-1, 1])), sd, 5, rng.uniform(0, 0.03), bank=bank)


def rule_of(name: str) -> Rule:
    """The rule by which the experiment of a name is judged."""
    return SCANS if name.split(":", maxsplit=1)[0] in {"equal", "scan"} else TWO_CELLS


def experiments_of(part: str, seed: int, count: int, banks: Banks) -> Iterator[tuple[str, Experiment]]:
    """The experiments of a part with their names."""
    for number in range(count):
        name = f"{part}:{seed}:{number}"
        yield name, make(name, banks)


def judge(experiment: Experiment, rule: Rule) -> Verdict:
    """The product's verdict on an experiment."""
    return verdict(Evidence(experiment.observations), rule)


def true_ratio(experiment: Experiment, found: Comparison) -> float:
    """What a comparison should have found."""
    base = experiment.truth[found.workload, found.base_threads, found.base_shape]
    return experiment.truth[found.workload, found.new_threads, found.new_shape] / base


def is_equal(ratio: float) -> bool:
    """Whether a true ratio is one, but for rounding."""
    return abs(math.log(ratio)) < 1e-9


def side(ratio: float) -> str:
    """The word for a true ratio that is not one."""
    return "faster" if ratio > 1 else "slower"


def is_false(experiment: Experiment, found: Comparison) -> bool:
    """Whether it is called faster or slower and is not: equal in truth, or the other way round."""
    ratio = true_ratio(experiment, found)
    return found.verdict in {"faster", "slower"} and (is_equal(ratio) or found.verdict != side(ratio))


def show(name: str, banks: Banks) -> None:
    """Print one experiment and what is said about it."""
    experiment = make(name, banks)
    sds = f"sd {100 * experiment.sd:.2f} to {100 * experiment.largest_sd:.2f} %"
    print(f"{name}: {experiment.kind}, {sds}, {experiment.blocks} blocks")
    for key, rate in experiment.truth.items():
        seen = [o.throughput_per_s for o in experiment.observations if (o.workload, o.threads, o.shape) == key]
        print(f"  {key}: {rate:.4f}; seen {' '.join(f'{s:.4f}' for s in seen)}")
    found = judge(experiment, rule_of(name))
    print(found.answer)
    for c in found.comparisons:
        bounds = "no interval" if c.low is None or c.high is None else f"{c.low:.4f} to {c.high:.4f}"
        print(
            f"  {c.question} {c.base} {c.new}: {c.ratio:.4f}, {bounds}: {c.verdict} ({true_ratio(experiment, c):.4f})"
        )
