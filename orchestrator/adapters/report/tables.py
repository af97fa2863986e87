"""A run or a trial as one flat table, for a spreadsheet or a notebook: pandas data frames, and CSV (RFC 4180) of them.

Times are seconds since the workload's launch, rates operations per second, shares fractions. What is unavailable is an
empty field, never 0.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from orchestrator.core.measure.columns import FIXED, from_samples
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports import TrialData
from orchestrator.engine.showing import rates

Field = str | int | float | None


def trials_table(run: StoredRun) -> pd.DataFrame:
    """One row a trial, in the order in which they ran."""
    return pd.DataFrame([_trial(record) for record in run.trials]).convert_dtypes()


def series_table(run: StoredRun, trial: TrialRecord, data: TrialData) -> pd.DataFrame:
    """One row a throughput interval, beside the latest sample of each source at or before the interval's end.

    Columns: ``time_s`` (the interval's end), ``width_s``, ``rate_per_s``; then the cumulative counters of the vCPUs as
    the driver gives them, and those of ``host.`` and ``guest.``, each source with the time of its sample.
    """
    series = rates(run, trial, data.throughput)
    table = pd.DataFrame({"time_s": series.time_s, "width_s": series.width_s, "rate_per_s": series.rate}, dtype=float)
    zero_s = _zero(trial, data)
    for prefix, samples in (("vcpu", data.vcpu), ("host", data.host), ("guest", data.guest)):
        if samples:
            table = pd.merge_asof(
                table, _source(prefix, samples, zero_s), left_on="time_s", right_on=f"{prefix}_time_s"
            )
    return table


def to_csv(table: pd.DataFrame) -> str:
    """The table with a line of names."""
    return table.to_csv(index=False, lineterminator="\n")


def _trial(record: TrialRecord) -> dict[str, Field]:
    row: dict[str, Field] = {
        "trial": record.id,
        "number": record.number,
        "block": record.block,
        "shape": record.shape,
        "workload": record.workload,
        "threads": record.threads,
        "outcome": record.outcome,
        "failed_stage": record.failed_stage,
        "reason": record.reason,
        "started_utc": record.started_utc,
    }
    return row | (_figures(record.summary) if record.summary is not None else {})


def _figures(summary: TrialSummary) -> dict[str, Field]:
    window, mean = summary.window, summary.throughput
    row: dict[str, Field] = {
        "steady_from_s": window.start_s if window else None,
        "steady_to_s": window.end_s if window else None,
        "not_steady": summary.kind,
        "warm_up_earliest_s": summary.warm_up_earliest_s,
        "warm_up_latest_s": summary.warm_up_latest_s,
        "period_s": summary.period_s,
        "left_out": len(summary.left_out),
        "throughput_per_s": mean.mean if mean else None,
        "low_per_s": mean.low if mean else None,
        "high_per_s": mean.high if mean else None,
        "effective_samples": mean.effective_samples if mean else None,
        "cpu_seconds_per_operation": summary.cpu_seconds_per_operation,
        "host_busy": summary.host_busy,
        "guest_steal": summary.guest_steal,
        "flags": "; ".join(check.name for check in summary.checks if check.state == "flag"),
    }
    for share in summary.vcpus:
        start = f"vcpu{share.vcpu}"
        row |= {f"{start}_run": share.run, f"{start}_wait": share.wait, f"{start}_idle": share.idle}
    return row


def _zero(trial: TrialRecord, data: TrialData) -> float:
    if trial.launched_monotonic_s is not None:
        return trial.launched_monotonic_s
    return float(data.throughput[0]["time_s"]) if data.throughput else 0.0


def _source(prefix: str, samples: Sequence[Sample], zero_s: float) -> pd.DataFrame:
    columns = from_samples(samples)
    names = {
        name: name if name.startswith(f"{prefix}.") else f"{prefix}.{name}" for name in columns if name not in FIXED
    }
    # Nullable integers: a counter of nanoseconds is longer than a float can hold exactly.
    frame = pd.DataFrame({new: pd.array(columns[name]) for name, new in names.items()})
    frame.insert(0, f"{prefix}_time_s", [sample.time_s - zero_s for sample in samples])
    return frame.sort_values(f"{prefix}_time_s")
