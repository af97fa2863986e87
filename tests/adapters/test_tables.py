"""Flat tables of a run and of a trial, read back by the csv module."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd
import pytest
from stored_runs import FIRST, SECOND, failed_record, trial_record, whole_run

from orchestrator.adapters.report.tables import series_table, to_csv, trials_table
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.run import StoredRun
from orchestrator.engine.ports import TrialData

BIG = 2**62 + 1
"""A count of nanoseconds that a float cannot hold."""


def stored(tmp_path: Path) -> StoredRun:
    store, _ = whole_run(tmp_path)
    return store.find("last")


def rows(table: pd.DataFrame) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(to_csv(table))))


def test_a_run_is_a_row_a_trial_with_empty_fields_where_nothing_was_measured(tmp_path: Path) -> None:
    run = stored(tmp_path)
    run = StoredRun(run.record, (trial_record(), failed_record()), run.state, run.location)
    measured, failed = rows(trials_table(run))
    assert (measured["trial"], measured["outcome"], measured["threads"]) == (FIRST, "measured", "1")
    assert float(measured["throughput_per_s"]) > 0
    shares = [float(measured[f"vcpu0_{part}"]) for part in ("run", "wait", "idle")]
    assert sum(shares) == pytest.approx(1)
    assert (failed["trial"], failed["outcome"], failed["throughput_per_s"]) == (SECOND, "failed", "")


def test_a_trial_is_a_row_an_interval_beside_the_latest_sample_of_each_source(tmp_path: Path) -> None:
    trial = trial_record(launched_monotonic_s=100.0)
    data = TrialData(
        throughput=[{"time_s": 100.0 + second, "value": 50 * second} for second in range(4)],
        vcpu=[Sample(100.5 + second, 0.001, second, {"vcpu.0.run_ns": BIG + second}) for second in range(3)],
        host=[Sample(99.0, 0.001, 1, {"cpu.user_ticks": 7}), Sample(102.5, 0.001, 2, {})],
        guest=[],
        log="",
    )
    found = rows(series_table(stored(tmp_path), trial, data))
    assert [float(row["time_s"]) for row in found] == [1, 2, 3]
    assert {float(row["rate_per_s"]) for row in found} == {50}
    assert [row["vcpu.0.run_ns"] for row in found] == [str(BIG), str(BIG + 1), str(BIG + 2)], "whole numbers stay exact"
    assert [float(row["vcpu_time_s"]) for row in found] == [0.5, 1.5, 2.5]
    # The last sample of the host lacks the counter: unavailable is empty, neither 0 nor the value before.
    assert [row["host.cpu.user_ticks"] for row in found] == ["7", "7", ""]


def test_a_trial_without_any_reading_is_an_empty_table(tmp_path: Path) -> None:
    table = series_table(stored(tmp_path), trial_record(), TrialData((), (), (), (), ""))
    assert to_csv(table) == "time_s,width_s,rate_per_s\n"
