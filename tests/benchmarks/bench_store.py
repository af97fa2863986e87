"""Loading 200 stored runs against pyarrow's own scan of the same Parquet files: ratios from one process.

Also checking them all against their digests, against hashing the same bytes alone; and what a step of the trial in hand
costs that is kept as it comes, as a share of the second that the step lasts.

    python tests/benchmarks/bench_store.py [--quick]

The runs are written first (on a RAM disk where there is one, since every file is synced); the page cache is warm for
every contender.
"""

from __future__ import annotations

import hashlib
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pyarrow.dataset as ds

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.core.measure.results import Interval, TrialSummary, VcpuShare, Window
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import PlannedTrial, RunRecord
from orchestrator.core.record.trial import StageTime, TrialRecord
from orchestrator.engine.ports import Line, TrialData

TRIALS, SECONDS, CPUS, REPEATS = 8, 90, 4, 3
STATES = ("user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal", "guest", "guest_nice")
STAGES = ("reshape", "start", "log in", "verify", "deploy", "launch", "warm up", "measure", "stop")


def planned(number: int) -> PlannedTrial:
    return PlannedTrial(
        id=f"{number:04d}-two-bookings-t2-b{number}",
        number=number,
        block=number,
        shape="two",
        workload="bookings",
        threads=2,
    )


def a_trial(plan: PlannedTrial) -> TrialRecord:
    share = [VcpuShare(vcpu=n, run=0.8, wait=0.1, idle=0.1, uncertainty=0.01) for n in range(2)]
    return TrialRecord(
        **plan.model_dump(),
        outcome="measured",
        reason="steady from 12 s on",
        started_utc="2026-08-01T10:11:12.000Z",
        ended_utc="2026-08-01T10:13:12.000Z",
        launched_monotonic_s=1000.0,
        stages=tuple(StageTime(stage=stage, seconds=1.0, attempts=1) for stage in STAGES),
        clocks=(),
        workload_sha256={"bookings.py": "0" * 64},
        seen_inside={"online": "0-1"},
        summary=TrialSummary(
            steady=True,
            reason="steady from 12 s on",
            window=Window(start_s=12.0, end_s=80.0),
            throughput=Interval(mean=2400.0, low=2376.0, high=2424.0, effective_samples=38.0),
            vcpus=tuple(share),
            cpu_seconds_per_operation=4e-4,
            host_busy=0.5,
            guest_steal=None,
            checks=(),
        ),
    )


def series() -> TrialData:
    names = [f"{cpu}.{state}_ticks" for cpu in ("cpu", *(f"cpu{n}" for n in range(CPUS))) for state in STATES]
    ticks = [
        Sample(1000.0 + t, 1e-4, t * 10**9, {name: t * 7 * (n + 1) for n, name in enumerate(names)})
        for t in range(SECONDS)
    ]
    vcpu = [
        Sample(
            1000.0 + t,
            1e-4,
            t * 10**9,
            {f"vcpu.{n}.{what}_ns": t * 5 * 10**8 for n in range(2) for what in ("run", "wait")},
        )
        for t in range(SECONDS)
    ]
    rows = [{"time_s": 1000.0 + t, "value": 2400 * t} for t in range(SECONDS)]
    return TrialData(rows, ticks, ticks, vcpu, "one line of output\n" * SECONDS)


def write_runs(store: FolderStore, runs: int) -> None:
    data, trials = series(), [planned(number + 1) for number in range(TRIALS)]
    for number in range(runs):
        record = RunRecord(
            id="",
            title="How many vCPUs does the bookings database need?",
            started_utc=f"2026-08-{number // 24 % 28 + 1:02d}T{number % 24:02d}:00:00.000Z",
            guest="bookings-1",
            guest_kind="simulated guest",
            hypervisor="simulated",
            order_rule="trialbed-order-1",
            seed=number,
            plan={"title": "How many vCPUs does the bookings database need?"},
            trials=tuple(trials),
            versions={"trialbed": "0.1.0"},
            inputs_sha256={},
        )
        writer = store.create(record, {"plan.yaml": b"title: ferry\n", "lab.yaml": b"hosts: {}\n"})
        for trial in trials:
            for stage in STAGES:
                writer.append(
                    Event(time_utc=record.started_utc, event="stage-started", trial=trial.id, detail={"stage": stage})
                )
            writer.keep_trial(a_trial(trial), data)
            writer.append(Event(time_utc=record.started_utc, event="trial-ended", trial=trial.id))
        writer.append(Event(time_utc=record.started_utc, event="run-ended"))
        writer.seal()


def load_all(store: FolderStore) -> int:
    """Every record and every series, as plain columns: what a report over all runs needs."""
    rows = 0
    for run in store.list():
        for trial in run.trials:
            for name in ("throughput", "host", "guest", "vcpu"):
                rows += len(store.series(run, trial.id, name)["time_s"])
    return rows


def scan(root: Path) -> int:
    """The same files through pyarrow alone: one scan for each kind of series."""
    rows = 0
    for name in ("throughput", "host", "guest", "vcpu"):
        files = [str(path) for path in root.glob(f"*/trials/*/{name}.parquet")]
        rows += ds.dataset(files, format="parquet").to_table().num_rows
    return rows


def hash_all(root: Path) -> int:
    """Every byte of every file, hashed by one thread: the least that a check can do."""
    return sum(len(hashlib.sha256(path.read_bytes()).digest()) for path in root.rglob("*") if path.is_file())


def verify_all(store: FolderStore) -> None:
    for run in store.list():
        assert not store.verify(run.record.id).findings


def keep_steps(writer: FolderWriter) -> None:
    """Ninety seconds of a trial in hand."""
    data = series()
    began = time.perf_counter()
    draft = writer.draft("0001-two-bookings-t2-b1", print)
    for host, guest, vcpu in zip(data.host, data.guest, data.vcpu, strict=True):
        draft.sample("host", host)
        draft.sample("guest", guest)
        draft.sample("vcpu", vcpu)
        draft.lines([Line("one line of output", host.time_s)])
    step_s = (time.perf_counter() - began) / SECONDS
    print(f"a step of a draft, of its second     {step_s * 1e6:8.0f} us   {step_s:.6f}")


def median_s(action: Callable[[], object]) -> float:
    times: list[float] = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        action()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def main() -> None:
    runs = 20 if "--quick" in sys.argv[1:] else 200
    where = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        store = FolderStore(Path(folder))
        began = time.perf_counter()
        write_runs(store, runs)
        print(f"{runs} runs of {TRIALS} trials written in {time.perf_counter() - began:.1f} s")
        assert load_all(store) == scan(store.root) == runs * TRIALS * 4 * SECONDS
        scanned = median_s(lambda: scan(store.root))
        listed = median_s(store.list)
        loaded = median_s(lambda: load_all(store))
        print(f"pyarrow's scan of {runs * TRIALS * 4} files      {scanned * 1000:8.0f} ms   1.00")
        print(f"list: the records of all runs        {listed * 1000:8.0f} ms   {listed / scanned:.2f}")
        print(f"all records and series as columns    {loaded * 1000:8.0f} ms   {loaded / scanned:.2f}")
        hashed, verified = median_s(lambda: hash_all(store.root)), median_s(lambda: verify_all(store))
        print(f"hashing every byte, one thread       {hashed * 1000:8.0f} ms   1.00")
        print(f"verify of all runs                   {verified * 1000:8.0f} ms   {verified / hashed:.2f}")
        keep_steps(store.create(store.list()[0].record.model_copy(update={"id": ""}), {}))


if __name__ == "__main__":
    main()
