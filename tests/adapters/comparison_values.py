"""Comparisons of runs for the tests of what shows them: the ferry line's bookings on a new host."""

from __future__ import annotations

import math
from typing import Any

from orchestrator.core.verdict.between_runs.results import Change, Difference, Overall, RunsCompared, Unmatched

BASE = "20261120-2100-bookings-on-the-old-host"
NEW = "20261127-2100-bookings-on-the-new-host"


def change(shape: str = "two", threads: int = 2, **changes: Any) -> Change:
    """One cell, 4.7 % slower unless changed."""
    facts: dict[str, Any] = {
        "cell": f"{shape}-bookings-t{threads}",
        "base_cell": f"{shape}-bookings-t{threads}",
        "shape": shape,
        "vcpus": {"one": 1, "two": 2, "four": 4}.get(shape, 2),
        "memory": 2 * 2**30,
        "workload": "bookings",
        "threads": threads,
        "matched_by": "definition",
        "base_trials": 5,
        "new_trials": 5,
        "base_per_s": 812.3,
        "base_low": 806.0,
        "base_high": 818.6,
        "new_per_s": 774.1,
        "new_low": 768.0,
        "new_high": 780.2,
        "ratio": 774.1 / 812.3,
        "low": 0.939,
        "high": 0.967,
        "verdict": "slower",
        "not_worse": False,
        "p": 0.0004,
        "p_holm": 0.0012,
        "confidence_alone": 0.983,
        "correction": "Bonferroni",
        "more_blocks": None,
        "more_blocks_new": None,
        "cpu_ratio": 0.951,
        "cpu_low": 0.94,
        "cpu_high": 0.962,
        "base_per_cpu_s": 415.0,
        "new_per_cpu_s": 394.7,
    }
    return Change(**facts | changes)


SLOWER = change()
EQUAL = change("one", 1, ratio=1.002, low=0.991, high=1.013, verdict="equivalent", not_worse=True, cpu_ratio=1.001)
OPEN = change(
    "four", 4, ratio=0.985, low=0.951, high=1.02, verdict="undecided", more_blocks=4, more_blocks_new=9, cpu_ratio=0.99
)
FASTER = change("four", 2, ratio=1.08, low=1.06, high=1.1, verdict="faster", not_worse=True)
SINGLE = change("two", 1, ratio=0.96, low=None, high=None, verdict="undecided", base_trials=1, cpu_low=None)

MICROCODE = Difference(
    where="host",
    fact="microcode",
    meaning="microcode",
    base="0xb000040",
    new="0xb000041",
    weight="likely",
    sentence="host: microcode 0xb000041, 0xb000040 in the base",
)
UPTIME = MICROCODE.model_copy(
    update={"fact": "uptime", "weight": "unlikely", "sentence": "host: up for 2 d, 41 d in the base"}
)


def compared(*changes: Change, **other: Any) -> RunsCompared:
    """A comparison; of the cells above unless others are given."""
    cells = changes or (SLOWER, EQUAL, OPEN)
    ratio = math.exp(sum(math.log(cell.ratio) for cell in cells) / len(cells))
    overall = Overall(
        cells=len(cells),
        ratio=ratio,
        low=ratio * 0.99,
        high=ratio * 1.01,
        verdict="slower",
        base_blocks=5,
        new_blocks=5,
        base_per_vcpu=406.1,
        new_per_vcpu=398.7,
        base_per_cpu_s=415.0,
        new_per_cpu_s=405.2,
        cpu_ratio=0.976,
        cpu_low=0.967,
        cpu_high=0.986,
    )
    facts: dict[str, Any] = {
        "base": (BASE,),
        "new": NEW,
        "margin": 0.03,
        "confidence": 0.95,
        "per": "second",
        "runs_are_readings": False,
        "answer": "One of three cells became slower: two-bookings-t2 by 4.7 %. One is undecided.",
        "changes": cells,
        "unmatched": (Unmatched(side="base", cell="eight-bookings-t8", why="the new run has no shape of 8 vCPUs"),),
        "overall": overall,
        "surroundings": (MICROCODE, UPTIME),
        "remarks": ("One run a side: what changes from run to run is not in the intervals.",),
    }
    return RunsCompared(**facts | other)
