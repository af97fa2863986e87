"""The verb behind importing: readings that somebody took, as the records of a run that was never run here.

A run of that kind is judged, compared and shown like any other. What was not noted stays unknown: a figure has no
window and no interval, no check was made, and readings without blocks are independent of each other.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.core.design.plan import Decide
from orchestrator.core.measure.log import LogReading, read_log
from orchestrator.core.measure.results import AverageShare, Check, Interval, TrialSummary, Window
from orchestrator.core.record.run import PlannedTrial, RunRecord
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.cells import Shares
from orchestrator.engine.ports import TrialData
from orchestrator.engine.read_series import Log
from orchestrator.units import PERIODS, Bytes, PerSecond

#: What the guest of such a run is called where drivers say what their guests are.
GUEST_KIND = "imported readings"
#: Stands for the name of a driver.
NO_DRIVER = "none"
ORDER_RULE = "as-listed"
#: Of the interval of a log's mean, as ``read`` gives it.
_CONFIDENCE = 0.95
_NOT_SAFE = re.compile(r"[^A-Za-z0-9_.]+")
_LONGEST_PART = 40
_NOBODY_LOOKED = Check(
    name="surroundings",
    state="unavailable",
    detail="it was imported: nobody here looked at the guest's size, its host, clocks or other load",
)
_NO_SERIES = Check(
    name="steady state",
    state="unavailable",
    detail="one figure was noted and no series, so nothing shows whether throughput was steady",
)


@dataclass(frozen=True)
class Taken:
    """A reading that somebody took: a figure, or else a log of throughput.

    Attributes:
        line: where the table has it.
        memory: in bytes; ``None`` where it was not noted.
        block: the pass over all cells that it belongs to; ``None`` where readings were not taken in blocks.
        log: what the table calls the log.
        shares: averaged over the guest's vCPUs.
    """

    line: int
    shape: str
    vcpus: int
    memory: Bytes | None
    workload: str
    threads: int
    block: int | None
    throughput_per_s: PerSecond | None
    log: str | None
    shares: Shares


@dataclass(frozen=True)
class About:
    """What else is known of the readings.

    Attributes:
        taken_utc: when.
        per: the period of the figures in table and logs, which they are shown in.
        note: in somebody's words; empty where there are none.
    """

    title: str
    guest: str
    taken_utc: str
    per: str
    note: str


@dataclass(frozen=True)
class Imported:
    """The records of a run, to be stored; ``trials`` are in the order of the table."""

    record: RunRecord
    trials: tuple[tuple[TrialRecord, TrialData], ...]


def import_readings(
    taken: Sequence[Taken],
    logs: Mapping[str, Log],
    about: About,
    *,
    inputs_sha256: Mapping[str, str],
    versions: Mapping[str, str],
) -> Imported:
    """Make a run of readings.

    Args:
        taken: at least one, in the order of the table.
        logs: those that readings name, by the names that they use.
        about: what else is known.
        inputs_sha256: digest of each file that is kept with the run.
        versions: of this program and its libraries.
    """
    in_blocks = any(reading.block is not None for reading in taken)
    seen: Counter[tuple[str, str, int]] = Counter()
    ordered = []
    for number, reading in enumerate(taken, start=1):
        cell = (reading.shape, reading.workload, reading.threads)
        seen[cell] += 1
        ordered.append(_planned(number, reading, reading.block if reading.block is not None else seen[cell]))
    record = RunRecord(
        id="",
        title=about.title,
        started_utc=about.taken_utc,
        guest=about.guest,
        guest_kind=GUEST_KIND,
        hypervisor=NO_DRIVER,
        order_rule=ORDER_RULE,
        seed=0,
        plan=_plan(taken, about, in_blocks=in_blocks),
        trials=tuple(ordered),
        versions=dict(versions),
        inputs_sha256=dict(inputs_sha256),
        origin="imported",
    )
    kept = (
        _trial(planned, reading, None if reading.log is None else logs[reading.log], about)
        for planned, reading in zip(ordered, taken, strict=True)
    )
    return Imported(record, tuple(kept))


def _planned(number: int, reading: Taken, block: int) -> PlannedTrial:
    """A line of the order; its id names a folder, so of the names only what is safe anywhere is in it."""
    parts = (_NOT_SAFE.sub("-", name)[:_LONGEST_PART] for name in (reading.shape, reading.workload))
    return PlannedTrial(
        id=f"{number:04d}-{'-'.join(parts)}-t{reading.threads}-b{block}",
        number=number,
        block=block,
        shape=reading.shape,
        workload=reading.workload,
        threads=reading.threads,
    )


def _plan(taken: Sequence[Taken], about: About, *, in_blocks: bool) -> dict[str, Any]:
    """What stands for the plan: the sizes and loads that there are, and the usual rule of a verdict."""
    threads: dict[str, set[int]] = {}
    for reading in taken:
        threads.setdefault(reading.workload, set()).add(reading.threads)
    shapes = {reading.shape: reading for reading in taken}
    blocks = len({reading.block for reading in taken}) if in_blocks else None
    return {
        "title": about.title,
        "guest": about.guest,
        "note": about.note,
        "per": about.per,
        "shapes": [{"name": name, "vcpus": one.vcpus, "memory": one.memory} for name, one in shapes.items()],
        "workloads": [{"name": name, "threads": sorted(counts)} for name, counts in threads.items()],
        "design": {"blocks": blocks, "order": "as-written", "seed": 0},
        "decide": Decide().model_dump(mode="json"),
    }


def _trial(planned: PlannedTrial, reading: Taken, log: Log | None, about: About) -> tuple[TrialRecord, TrialData]:
    if log is None:
        summary, rows = _noted(reading), []
    else:
        found, period_s = read_log(log.times, log.values, _CONFIDENCE), PERIODS[about.per]
        times = range(len(log.values)) if log.times is None else log.times
        summary = _of_log(found, reading, float(times[0]), period_s)
        rows = [{"time_s": float(at), "value": value} for at, value in zip(times, log.values, strict=True)]
    record = TrialRecord(
        **planned.model_dump(),
        outcome="measured" if summary.steady else "unsteady",
        reason=summary.reason,
        started_utc=about.taken_utc,
        ended_utc=about.taken_utc,
        launched_monotonic_s=None,
        stages=(),
        clocks=(),
        workload_sha256={},
        seen_inside={},
        summary=summary,
    )
    return record, TrialData(rows, (), (), (), "")


def _noted(reading: Taken) -> TrialSummary:
    """A figure: taken as it stands."""
    if reading.throughput_per_s is None:  # cannot be: a reading has a figure or a log
        raise ValueError(f"line {reading.line} has neither a figure nor a log")
    return TrialSummary(
        steady=True,
        reason="a figure that was noted by hand",
        window=None,
        throughput=Interval(mean=reading.throughput_per_s, low=None, high=None),
        checks=(_NO_SERIES, _NOBODY_LOOKED),
        **_unknown(reading),
    )


def _of_log(found: LogReading, reading: Taken, first_s: float, period_s: float) -> TrialSummary:
    """What a log says; times are since its first reading, as nothing tells of the launch."""

    def since(time_s: float | None) -> float | None:
        return None if time_s is None else time_s - first_s

    window, mean = found.window_s, None
    if found.mean is not None:
        low, high = (None if bound is None else bound / period_s for bound in (found.low, found.high))
        mean = Interval(
            mean=found.mean / period_s,
            low=low,
            high=high,
            effective_samples=found.effective_samples,
            freedom=found.freedom,
        )
    return TrialSummary(
        steady=found.steady,
        reason=found.reason if found.steady else f"not steady: {found.reason}",
        window=None if window is None else Window(start_s=window[0] - first_s, end_s=window[1] - first_s),
        throughput=mean,
        checks=(_NOBODY_LOOKED,),
        kind=found.kind,
        warm_up_earliest_s=since(found.earliest_s),
        warm_up_latest_s=since(found.latest_s),
        period_s=found.period_s,
        left_out=tuple(f"{one.value:.6g} at {one.at_s - first_s:.6g} s, {one.reason}" for one in found.impossible),
        **_unknown(reading),
    )


def _unknown(reading: Taken) -> dict[str, Any]:
    """What nobody counted, and of the vCPUs' time what the table tells."""
    shares = reading.shares
    known = shares != Shares()
    average = AverageShare(run=shares.run, wait=shares.wait, idle=shares.idle) if known else None
    return {
        "vcpus": (),
        "cpu_seconds_per_operation": None,
        "host_busy": None,
        "guest_steal": None,
        "vcpus_average": average,
    }
