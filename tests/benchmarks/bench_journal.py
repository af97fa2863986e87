"""What the journal, the drafts and fsync add to a trial, as a ratio to the same run without them.

    python tests/benchmarks/bench_journal.py [FOLDER]

The same simulated run is made in turns on a store of real files, on the same with fsync doing nothing, and on a store
in memory. The guest's time is virtual, so wall time is the program's own. FOLDER is where the files are written, this
folder if it is not given: a disk in memory would make fsync cost nothing.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parent.parent / "engine"))

from simulated_run import AS_PLANNED, Experiment, lab, plan, record_of

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.engine.ports import RunStore
from orchestrator.engine.run_plan import Run
from orchestrator.testing.memory_store import MemoryStore

#: What a trial of plans/first.yaml takes at least, for the share that all of it has in a real one.
REAL_TRIAL_S = 15.0


@contextmanager
def unsynced() -> Iterator[None]:
    """Let fsync do nothing."""
    real = os.fsync
    os.fsync = lambda _descriptor: None
    try:
        yield
    finally:
        os.fsync = real


def seconds_a_trial(store: RunStore, blocks: int) -> float:
    """Wall time of a run, by its trials."""
    asked = plan(design={"blocks": blocks}, measure=AS_PLANNED)
    experiment = Experiment(asked, lab())
    writer = store.create(record_of(asked), {"plan.yaml": b"plan", "lab.yaml": b"lab"})
    began = time.perf_counter()
    outcome = Run(asked, experiment.lab, experiment.bench, writer).go()
    if (outcome.state, outcome.failed) != ("done", 0):
        raise SystemExit(f"the run did not end as it should: {outcome}")
    return (time.perf_counter() - began) / outcome.ended


def main() -> None:
    """Measure in turns, and print the ratios."""
    arguments = [argument for argument in sys.argv[1:] if not argument.startswith("-")]
    rounds, blocks = (3, 2) if "--quick" in sys.argv[1:] else (9, 6)

    def on_disk() -> float:
        with tempfile.TemporaryDirectory(dir=arguments[0] if arguments else Path.cwd()) as folder:
            return seconds_a_trial(FolderStore(Path(folder)), blocks)

    def without_sync() -> float:
        with unsynced():
            return on_disk()

    def in_memory() -> float:
        return seconds_a_trial(MemoryStore(), blocks)

    kinds: dict[str, Callable[[], float]] = {"whole": on_disk, "unsynced": without_sync, "memory": in_memory}
    on_disk()  # loads what a first trial loads
    taken: dict[str, list[float]] = {name: [] for name in kinds}
    for _ in range(rounds):
        for name, measure in kinds.items():
            taken[name].append(measure())
    whole, quick, none = (median(taken[name]) for name in kinds)
    added = whole - none
    print(f"journal and store: {added * 1000:.1f} ms a trial, of which fsync {(whole - quick) * 1000:.1f} ms")
    print(f"journal and store: ratio {whole / none:.2f} to a run in memory; without fsync {quick / none:.2f}")
    print(f"journal and store: {added / REAL_TRIAL_S:.2%} of a real trial of {REAL_TRIAL_S:.0f} s")


if __name__ == "__main__":
    main()
