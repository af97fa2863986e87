"""A library of 1,000 stored runs: how long `list` and `history` take, with and without the index.

    python tests/benchmarks/bench_library.py [--quick]

One run is made by the simulated lab (2 shapes x 2 thread counts, 3 blocks); the others are copies of it with their own
id, time and figures, of which those after the 600th are 4 % lower and have another kernel. Times are those of whole
commands, the start of the program included, with the page cache warm. Beside them: DuckDB reading the throughput of
every trial from the same Parquet files and forming its mean, which is what a history without records would take.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parent.parent / "engine"))

import duckdb
import numpy as np
from simulated_run import AS_PLANNED, Experiment, lab, plan, record_of

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.layout import INDEX
from orchestrator.engine.run_plan import Run

REPEATS = 5
STEP_AFTER, STEP = 0.6, 0.96
BETWEEN_RUNS, BETWEEN_TRIALS = 0.008, 0.005
#: Files that have changed just now are not indexed yet.
SETTLE_S = 4.0


def first_run(store: FolderStore) -> Path:
    experiment = Experiment(plan(measure=AS_PLANNED), lab())
    writer = store.create(record_of(experiment.plan), {"plan.yaml": b"plan", "lab.yaml": b"lab"})
    Run(experiment.plan, experiment.lab, experiment.bench, writer, ()).go()
    return Path(writer.location)


def copies(original: Path, runs: int) -> None:
    """The same run again and again; files that do not differ are one file with many names."""
    draws = np.random.default_rng(6)
    record = json.loads((original / "run.json").read_text())
    environment = json.loads((original / "environment.json").read_text())
    trials = {path: json.loads(path.read_text()) for path in original.glob("trials/*/trial.json")}
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    for number in range(1, runs):
        changed = number >= STEP_AFTER * runs
        started = begin + timedelta(hours=20 * number)
        folder = original.parent / f"{started:%Y%m%dT%H%M%SZ}-bookings-{number:04x}"
        for path in original.rglob("*"):
            copy = folder / path.relative_to(original)
            if path.is_dir():
                copy.mkdir(parents=True)
            elif path.name not in {"run.json", "environment.json", "trial.json", ".lock"}:
                copy.parent.mkdir(parents=True, exist_ok=True)
                copy.hardlink_to(path)
        own = record | {"id": folder.name, "started_utc": f"{started:%Y-%m-%dT%H:%M:%S}.000Z"}
        (folder / "run.json").write_text(json.dumps(own))
        kernel = {"kernel": "6.1.0-32-amd64" if changed else "6.1.0-31-amd64"}
        (folder / "environment.json").write_text(json.dumps(environment | {"host": environment["host"] | kernel}))
        level = (STEP if changed else 1.0) * (1 + draws.normal(0, BETWEEN_RUNS))
        for path, trial in trials.items():
            read = trial["summary"]["throughput"]
            mean = read["mean"] * level * (1 + draws.normal(0, BETWEEN_TRIALS))
            summary = trial["summary"] | {"throughput": read | {"mean": mean}}
            (folder / path.relative_to(original)).write_text(json.dumps(trial | {"summary": summary}))


def command_s(*words: str) -> tuple[float, float, str]:
    """Wall time and CPU time of a command, and what it printed."""
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    told = subprocess.run([sys.executable, "-m", "orchestrator", *words], capture_output=True, text=True, check=True)
    wall_s, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, told.stdout


def duckdb_s(root: Path) -> float:
    began = time.perf_counter()
    query = (  # the folder is one that was made here
        "SELECT filename, (max(value) - min(value)) / (max(time_s) - min(time_s)) "  # noqa: S608
        f"FROM read_parquet('{root}/*/trials/*/throughput.parquet', filename = true) GROUP BY filename"
    )
    assert duckdb.sql(query).fetchall()
    return time.perf_counter() - began


def _row(name: str, wall_s: float, cpu_s: float, direct_s: float) -> None:
    print(f"{name:38} {wall_s:6.2f} s  {wall_s / direct_s:5.2f}  {cpu_s:6.2f} s")


def main() -> None:
    runs = 100 if "--quick" in sys.argv[1:] else 1000
    where = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        root = Path(folder) / "results"
        os.environ["TRIALBED_STORE"] = str(root)
        began = time.perf_counter()
        copies(first_run(FolderStore(root)), runs)
        print(f"{runs} runs of 12 trials made in {time.perf_counter() - began:.1f} s")
        time.sleep(SETTLE_S)
        commands = {"list": ("list",), "history of one cell": ("history", "two-bookings-t2")}
        commands |= {"history of all four": ("history", "*")}
        direct = median(duckdb_s(root) for _ in range(REPEATS))
        print(f"{'':38} {'wall':>8}  {'ratio':>5}  {'CPU':>8}")
        print(f"{'DuckDB: mean of each trial':38} {direct:6.2f} s   1.00")
        for name, words in commands.items():
            (root / INDEX).unlink(missing_ok=True)
            *cold, said = command_s(*words)
            warm = [command_s(*words) for _ in range(REPEATS)]
            assert all(again == said for *_, again in warm), "the index changes what is said"
            _row(f"{name}, without an index", cold[0], cold[1], direct)
            _row(f"{name}, with it", median(wall for wall, *_ in warm), median(cpu for _, cpu, _ in warm), direct)
        print(f"the index: {(root / INDEX).stat().st_size / 2**20:.1f} MiB")
        print(next(line for line in said.splitlines() if "step" in line.lower()).strip())


if __name__ == "__main__":
    main()
