"""Seconds of a trial on a real guest outside boot, warm-up, measuring and stop.

    python tests/benchmarks/bench_real_guests.py [--quick]

Needs what `trialbed sandbox up` needs. It makes a sandbox of its own, runs a plan there by the command itself, and
reads the stages of the stored trials. What lies between the stages is the store's and the summary's.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from datetime import datetime
from pathlib import Path

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke
from orchestrator.core.record.trial import TrialRecord

PLAN = """
title: What does a trial cost beside boot, warm-up, measuring and stop?
lab: lab.yaml
guest: bookings-1
shapes: [{name: one, vcpus: 1, memory: 192 MiB}, {name: two, vcpus: 2, memory: 192 MiB}]
workloads:
  - name: work
    threads: [1]
    command: [work, "{threads}"]
    reader:
      pattern: '^work: (?P<value>[0-9]+) operations, [0-9.]+ a second after [0-9.]+ s$'
      figure: count
design: {blocks: BLOCKS}
measure: {warm-up: {at-least: 2 s, at-most: 4 s}, steady: {at-least: 5 s, at-most: 5 s}}
"""
WAITING = ("start", "log in", "warm up", "measure", "stop")


def seconds(trial: TrialRecord) -> tuple[float, dict[str, float]]:
    """The whole trial, and each stage of it."""
    began, ended = (datetime.fromisoformat(text) for text in (trial.started_utc, trial.ended_utc))
    return (ended - began).total_seconds(), {stage.stage: stage.seconds for stage in trial.stages}


def main() -> int:
    """Run, and print medians and a ratio."""
    blocks = 1 if "--quick" in sys.argv[1:] else 4
    # The guests' account passes through; the name is short since a Unix socket's path has 108 bytes at most.
    with tempfile.TemporaryDirectory(prefix="tb") as name:
        place = Path(name)
        place.chmod(0o711)
        where = ["--folder", str(place / "s")]
        try:
            if invoke(["sandbox", "up", *where, "--image", "small", "--lab", str(place / "lab.yaml")]) != 0:
                return 1
            (place / "plan.yaml").write_text(PLAN.replace("BLOCKS", str(blocks)))
            invoke(["run", str(place / "plan.yaml"), "--store", str(place / "r"), "--quiet"])
            trials = FolderStore(place / "r").find("last").trials
        finally:
            invoke(["sandbox", "down", *where])
    if any(trial.outcome == "failed" for trial in trials):
        print(next(trial.reason for trial in trials if trial.outcome == "failed"))
        return 1
    taken = [seconds(trial) for trial in trials]
    ours = [whole - sum(stages.get(stage, 0.0) for stage in WAITING) for whole, stages in taken]
    boot = statistics.median(stages["start"] + stages["log in"] for _whole, stages in taken)
    stop = statistics.median(stages["stop"] for _whole, stages in taken)
    parts = ", ".join(
        f"{stage} {statistics.median(stages[stage] for _whole, stages in taken):.2f} s"
        for stage in ("reshape", "verify", "deploy", "launch")
    )
    outside = statistics.median(ours)
    print(
        f"real guests: {outside:.2f} s a trial outside boot, warm-up, measuring and stop ({parts}), "
        f"boot {boot:.2f} s, stop {stop:.2f} s, median of {len(trials)} trials (ratio to boot and stop "
        f"{outside / (boot + stop):.2f})"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
