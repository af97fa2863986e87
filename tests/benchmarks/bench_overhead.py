"""Wall time of a simulated run that is not boot, warm-up, measuring or stop: what the engine itself adds to a trial.

    python tests/benchmarks/bench_overhead.py

The guest's time is virtual, so wall time is the program's own. It is taken by stage, on a store of real files with its
fsyncs, and printed as a share of the whole and against the virtual time of the same trials.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

sys.path.insert(0, str(Path(__file__).parent.parent / "engine"))

from simulated_run import AS_PLANNED, Experiment, Heard, lab, plan, record_of

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.engine.news import News, RunBegan, RunEnded, StageBegan, TrialEnded
from orchestrator.engine.ports import Hypervisor
from orchestrator.engine.run_plan import Run

WAITING = {"start", "log in", "warm up", "measure", "stop"}


@dataclass
class StageTimes(Heard):
    """Adds up wall time by stage."""

    spent: Counter[str] = field(default_factory=Counter)
    stage: str = "before the first trial"
    since: float = field(default_factory=time.perf_counter)

    def tell(self, news: News) -> None:
        """Close the stage in hand and begin the next."""
        match news:
            case StageBegan(stage=stage):
                self.begin(stage)
            case TrialEnded() | RunBegan():
                self.begin("between trials")
            case RunEnded():
                self.begin("end")

    def begin(self, stage: str) -> None:
        """Close the stage in hand and begin another."""
        now = time.perf_counter()
        self.spent[self.stage] += now - self.since
        self.stage, self.since = stage, now


class Marked:
    """A hypervisor as it is, which marks the end of the stop: what follows it is the summary and the store."""

    def __init__(self, inner: Hypervisor, times: StageTimes) -> None:
        self._inner, self._times = inner, times

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def stop(self, timeout_s: float) -> None:
        """Stop, and mark the end of it."""
        self._inner.stop(timeout_s)
        if self._times.stage == "stop":
            self._times.begin("summary and store")


def main() -> None:
    """Run, and print the shares."""
    blocks = 5 if "--quick" in sys.argv[1:] else 25
    asked = plan(design={"blocks": blocks}, measure=AS_PLANNED)
    times = StageTimes()
    experiment = Experiment(asked, lab(), heard=times)
    experiment.bench = replace(experiment.bench, hypervisor=cast("Hypervisor", Marked(experiment.hypervisor, times)))
    with tempfile.TemporaryDirectory() as folder:
        writer = FolderStore(Path(folder)).create(record_of(asked), {"plan.yaml": b"plan", "lab.yaml": b"lab"})
        trials = Run(asked, experiment.lab, experiment.bench, writer).go().ended
    total = sum(times.spent.values())
    own = sum(seconds for stage, seconds in times.spent.items() if stage not in WAITING)
    virtual = experiment.clock.monotonic()
    ratio = f"ratio {total / virtual:.5f}"
    print(f"overhead: {trials} trials, {total:.2f} s of wall time for {virtual:.0f} s of virtual time ({ratio})")
    outside = f"{own * 1000 / trials:.1f} ms a trial, {own / total * 100:.0f} % of the wall time"
    print(f"overhead: outside boot, warm-up, measuring and stop {outside}")
    for stage, seconds in times.spent.most_common():
        print(f"  {stage:<24}{seconds * 1000 / trials:8.1f} ms a trial")


if __name__ == "__main__":
    main()
