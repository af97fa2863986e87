"""A night of 2,000 simulated trials on real files: whether its memory stays flat, and what a trial costs by its end.

    python tests/benchmarks/bench_night.py [--quick]

Prints the resident memory (VmRSS of /proc/self/status, proc(5)) and how many blocks of memory Python itself has in use
(sys.getallocatedblocks) after the first 100 trials and at the end, with their ratio, and the wall time of the last
trials against that of the first.
"""

from __future__ import annotations

import gc
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parent.parent / "engine"))

from simulated_run import Experiment, Heard, lab, plan, record_of

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.engine.news import News, RunEnded, TrialEnded
from orchestrator.engine.run_plan import Run

FIRST = 100
CELLS = 4
#: Few readings a trial: what is looked at is what is left of a trial once it is stored.
SHORT = {
    "every": "20 s",
    "warm-up": {"at-least": "20 s", "at-most": "40 s"},
    "steady": {"at-least": "100 s", "at-most": "100 s"},
}


def resident_kib() -> int:
    """Memory of this process that is in RAM."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))


@dataclass
class Growth(Heard):
    """Looks at the memory after each hundred trials, and keeps no news."""

    ended: int = 0
    resident: dict[int, int] = field(default_factory=dict)
    blocks: dict[int, int] = field(default_factory=dict)
    at_s: list[float] = field(default_factory=lambda: [time.perf_counter()])
    last: str = ""

    def tell(self, news: News) -> None:
        """Count trials."""
        if isinstance(news, RunEnded):
            self.last = news.state
        if not isinstance(news, TrialEnded):
            return
        self.ended += 1
        self.at_s.append(time.perf_counter())
        if self.ended % FIRST == 0:
            gc.collect()
            self.resident[self.ended] = resident_kib()
            self.blocks[self.ended] = sys.getallocatedblocks()


def main() -> None:
    """Run the night, and print what it took."""
    trials = 400 if "--quick" in sys.argv[1:] else 2000
    asked = plan(design={"blocks": trials // CELLS}, measure=SHORT)
    growth = Growth()
    experiment = Experiment(asked, lab(), heard=growth)
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        writer = FolderStore(Path(folder)).create(record_of(asked), {"plan.yaml": b"plan", "lab.yaml": b"lab"})
        outcome = Run(asked, experiment.lab, experiment.bench, writer).go()
        sealed_s = time.perf_counter() - growth.at_s[-1]
    if (outcome.state, outcome.ended) != ("done", trials):
        raise SystemExit(f"the night did not end as it should: {outcome}")
    last = max(growth.resident)
    first, end = (f"{growth.resident[at] / 1024:.1f} MiB after {at}" for at in (FIRST, last))
    print(f"night: resident {first} trials, {end} (ratio {growth.resident[last] / growth.resident[FIRST]:.3f})")
    print(f"night: Python's blocks of memory in use: ratio {growth.blocks[last] / growth.blocks[FIRST]:.3f}")
    took = [after - before for before, after in zip(growth.at_s, growth.at_s[1:], strict=False)]
    begun, ending = median(took[10:FIRST]), median(took[-FIRST:])
    print(f"night: {ending * 1000:.1f} ms a trial at its end, {begun * 1000:.1f} ms at its beginning"
          f" (ratio {ending / begun:.2f}); put back and sealed in {sealed_s:.1f} s")  # fmt: skip


if __name__ == "__main__":
    main()
