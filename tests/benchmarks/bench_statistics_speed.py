"""What a judgement costs, against one NumPy FFT: half an hour of seconds, judged whole and as it grows.

    python tests/benchmarks/bench_statistics_speed.py [--quick]

*Whole* is what ``trialbed read`` computes of 1,800 readings. *A second online* is the time of all looks at a trial of
1,800 s, made when it has grown by a twentieth as the engine does, over its seconds. *Verdict* is on 24 cells of 12
blocks. Targets: 20 ms, 2 ms and 1 s. Times are the CPU's, so that other load does not count.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent / "statistics"))

from experiments import scan
from series import FAMILIES, series

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.log import read_log
from orchestrator.core.measure.samples import Reading
from orchestrator.core.measure.throughput import throughput
from orchestrator.core.measure.watch import Enough, GaveUp, watch
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.verdict import verdict

SECONDS = 1800
LOOK_AGAIN_AFTER = 0.05
"""As the engine looks (``engine.observation``)."""
NEVER_ENOUGH = Measure.model_validate(
    {
        "warm-up": {"at-least": "10 s", "at-most": "30 min"},
        "steady": {"at-least": "60 s", "at-most": "60 min", "until-within": "0.01 %"},
    }
)
"""A plan under which a trial is watched to the end."""


def median_s(action: Callable[[], object], repeats: int) -> float:
    """Median CPU time of one call."""
    times = []
    for _ in range(repeats):
        began = time.thread_time()
        action()
        times.append(time.thread_time() - began)
    return statistics.median(times)


def watched_s(values: list[float]) -> float:
    """CPU time of all looks at a trial, for each of its seconds."""
    whole = throughput([Reading(second + 1.0, value) for second, value in enumerate(values)], "rate")
    ends = np.asarray(whole.time_s)
    spent, next_look_s = 0.0, 0.0
    for now_s in range(1, SECONDS + 1):
        if now_s < next_look_s:
            continue
        next_look_s = now_s * (1 + LOOK_AGAIN_AFTER)
        count = int(np.searchsorted(ends, now_s, side="right"))
        so_far = type(whole)(whole.time_s[:count], whole.width_s[:count], whole.rate[:count])
        began = time.thread_time()
        state = watch(so_far, 0.0, NEVER_ENOUGH, 0.95, float(now_s))
        spent += time.thread_time() - began
        if isinstance(state, Enough | GaveUp):
            break
    return spent / now_s


def main() -> None:
    """Print the times and their ratios."""
    quick = "--quick" in sys.argv[1:]
    repeats = 3 if quick else 15
    drawn = [series(np.random.default_rng(number), family, SECONDS)[0] for number, family in enumerate(FAMILIES)]
    fft_s = median_s(lambda: [np.fft.rfft(np.nan_to_num(values)) for values in drawn], 50) / len(drawn)
    whole_s = {
        family: median_s(partial(read_log, None, values.tolist()), repeats)
        for family, values in zip(FAMILIES, drawn, strict=True)
    }
    slowest = max(whole_s, key=lambda family: whole_s[family])
    online = [watched_s(values.tolist()) for values in (drawn[:3] if quick else drawn)]
    cells = scan(np.random.default_rng(24), (1, 2, 3, 4, 6, 8), (1, 2, 4, 8), blocks=12, kind="capacity", sd=0.01)
    judged_s = median_s(lambda: verdict(Evidence(cells.observations)), repeats)
    lines = [
        ("one FFT of 1,800 readings", fft_s, ""),
        ("whole, median of the families", statistics.median(whole_s.values()), "20 ms"),
        (f"whole, slowest family ({slowest})", whole_s[slowest], "20 ms"),
        ("a second online, mean", statistics.mean(online), "2 ms"),
        ("a second online, slowest series", max(online), "2 ms"),
        ("verdict on 24 cells in 12 blocks", judged_s, "1000 ms"),
    ]
    for name, spent_s, target in lines:
        print(f"{name:48} {1000 * spent_s:9.3f} ms {spent_s / fft_s:9.1f} FFTs   {target}")


if __name__ == "__main__":
    main()
