"""What showing a run or a trial needs to know beyond its record: which trial is meant, and its throughput as rates."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import cast

from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.clock_rate import ClockRate, believed_rate
from orchestrator.core.measure.samples import Reading, Throughput, Value
from orchestrator.core.measure.throughput import Figure, Period, throughput
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.errors import StoreError
from orchestrator.units import PERIODS


def pick_trial(run: StoredRun, trial: str, damaged: Sequence[str] = ()) -> TrialRecord:
    """The trial that a person means by its id, its number, or an unambiguous beginning of its id.

    Args:
        run: as far as it could be read.
        trial: what the person wrote.
        damaged: what could not be read of the run, in words that hold the ids of the trials they are about.

    Raises:
        StoreError: when it means none or several, with what there is.
    """
    finished = {record.id: record for record in run.trials}
    if trial in finished:
        return finished[trial]
    number = int(trial[:18]) if trial.isascii() and trial.isdecimal() else None
    matches = [record for record in run.trials if record.number == number]
    matches = matches or [record for name, record in finished.items() if trial and name.startswith(trial)]
    if len(matches) == 1:
        return matches[0]
    if matches:
        raise StoreError(
            f"{trial!r} fits several trials: {', '.join(match.id for match in matches[:8])}; give more of the name"
        )
    meant = next((p.id for p in run.record.trials if trial == p.id or number == p.number), None)
    if meant is not None and (lost := [problem for problem in damaged if meant in problem]):
        raise StoreError(f"trial {meant} was run and cannot be shown:\n" + "\n".join(lost))
    if meant in run.lost:
        raise StoreError(f"trial {meant} was run and is lost; 'trialbed resume' runs it again")
    if not finished:
        raise StoreError(f"run {run.record.id} has no finished trial yet")
    if meant is not None and meant not in {planned.id for planned in run.needed}:
        raise StoreError(f"trial {trial!r} was not needed: the run {run.look.sentence if run.look else 'ended before'}")
    if meant is not None:
        raise StoreError(
            f"trial {trial!r} is planned and has not been run to its end yet; 'trialbed resume' goes on with the run"
        )
    near = difflib.get_close_matches(trial, finished, n=3) or [*finished][:3]
    raise StoreError(f"run {run.record.id} has no trial {trial!r}; it has for example {', '.join(near)}")


def reader_of(record: RunRecord, workload: str) -> tuple[Figure, Period]:
    """What a workload's figures are (rates or counts) and their period, as the plan of a run has it."""
    plan = record.declared
    reader = {"figure": "rate", "per": plan.at("per")} if record.origin == "imported" else plan.reader(workload)
    figure, per = reader.get("figure"), reader.get("per")
    return cast("Figure", figure if figure in {"rate", "count"} else "rate"), cast(
        "Period", per if per in PERIODS else "second"
    )


def rates(run: StoredRun, trial: TrialRecord, rows: Sequence[Mapping[str, Value]]) -> Throughput:
    """Throughput readings as they were stored, as rates over intervals in seconds since launch.

    Times are the controller's monotonic time less the launch; where the launch is not known, less the first reading.
    """
    readings = [
        Reading(float(row["time_s"]), float(row["value"])) for row in rows if "time_s" in row and "value" in row
    ]
    zero = (
        trial.launched_monotonic_s
        if trial.launched_monotonic_s is not None
        else (readings[0].time_s if readings else 0.0)
    )
    figure, per = reader_of(run.record, trial.workload)
    # Counts are placed by the guest's clock before they are stored; a rate is still per second of that clock.
    clock = _guest_clock(trial) if figure == "rate" else None
    return throughput([Reading(r.time_s - zero, r.value) for r in readings], figure, per, clock)


def _guest_clock(trial: TrialRecord) -> ClockRate | None:
    """The rate of the guest's clock, as far as the trial's record tells it."""
    offsets = {
        clock.when: Offset(clock.offset_s, clock.uncertainty_s, clock.at_s, clock.exchanges)
        for clock in trial.clocks
        if clock.machine == "guest" and clock.at_s is not None
    }
    return believed_rate(offsets.get("before"), offsets.get("after"))
