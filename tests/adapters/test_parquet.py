"""Series to Parquet and back; pandas and the format's own metadata are the judges."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.adapters.store.parquet import column_names, read_columns, to_parquet
from orchestrator.core.measure import columns
from orchestrator.core.measure.columns import Columns
from orchestrator.core.measure.samples import Sample
from orchestrator.errors import StoreError

counters = st.sampled_from(["vcpu.0.run_ns", "vcpu.1.run_ns", "load.1min", "cpu.steal_ticks", "thread.7.wait_ns"])
values = st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False)
samples = st.lists(
    st.builds(
        Sample,
        time_s=st.floats(0, 1e9),
        uncertainty_s=st.floats(0, 1),
        source_ns=st.integers(0, 2**63 - 1),
        values=st.dictionaries(counters, values, max_size=5),
    ),
    max_size=8,
)


def through_a_file(table: Columns) -> Columns:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "x.parquet"
        path.write_bytes(to_parquet("host", table))
        return read_columns(path)


@settings(max_examples=60, deadline=None)
@given(samples)
def test_samples_come_back_as_they_went(series: list[Sample]) -> None:
    back = columns.to_samples(through_a_file(columns.from_samples(series)))
    assert [sample.values.keys() for sample in back] == [sample.values.keys() for sample in series]
    for sample, original in zip(back, series, strict=True):
        assert (sample.time_s, sample.uncertainty_s) == (original.time_s, original.uncertainty_s)
        assert sample.source_ns == original.source_ns
        for name, value in original.values.items():
            # A column that mixes whole numbers and others holds floats: exact up to 2**53, as IEEE 754 doubles are.
            assert sample.values[name] == value or sample.values[name] == float(value)


def test_whole_numbers_stay_exact_and_absent_is_not_zero() -> None:
    table = through_a_file(
        {"time_s": [1.0, 2.0, 3.0], "a": [2**63 - 1, None, 0], "b": [2**64 - 1, 0, 1], "c": [1, 2.5, None]}
    )
    assert table["a"] == [2**63 - 1, None, 0]
    assert table["b"] == [2**64 - 1, 0, 1]
    assert table["c"] == [1.0, 2.5, None]


def test_a_value_that_is_no_number_is_kept_apart_from_an_absent_one() -> None:
    first, second, third = through_a_file({"time_s": [1.0, 2.0, 3.0], "value": [math.nan, None, math.inf]})["value"]
    assert first is not None
    assert math.isnan(first)
    assert (second, third) == (None, math.inf)


def test_pandas_sees_the_same_numbers_and_types() -> None:
    content = to_parquet(
        "vcpu", {"time_s": [0.5, 1.5], "source_ns": [1, 2], "vcpu.0.run_ns": [10**18, 10**18 + 1], "x": [1, None]}
    )
    frame = pd.read_parquet(io.BytesIO(content))
    assert [str(dtype) for dtype in frame.dtypes] == ["float64", "int64", "int64", "float64"]
    assert frame["vcpu.0.run_ns"].tolist() == [10**18, 10**18 + 1]
    assert frame["x"].isna().tolist() == [False, True]


def test_the_file_says_what_it_is_and_what_its_columns_mean() -> None:
    content = to_parquet("vcpu", {"time_s": [0.5], "vcpu.0.run_ns": [1]})
    file = pq.ParquetFile(io.BytesIO(content))
    metadata = file.schema_arrow.metadata
    assert metadata[b"trialbed.series"] == b"vcpu"
    assert metadata[b"trialbed.schema_version"] == b"1"
    assert json.loads(metadata[b"trialbed.columns"])["vcpu.N.run_ns"]["unit"] == "ns"
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"


def test_an_empty_series_is_a_table_without_rows() -> None:
    assert columns.to_samples(through_a_file(columns.from_samples([]))) == []
    assert columns.to_rows(through_a_file(columns.from_rows([], first=("time_s", "value")))) == []


def test_rows_keep_what_they_have_and_no_more() -> None:
    rows = [{"time_s": 1.0, "value": 3}, {"time_s": 2.0, "value": 4, "errors": 1}]
    assert columns.to_rows(through_a_file(columns.from_rows(rows, first=("time_s", "value")))) == rows


def test_a_newer_format_is_not_guessed_at(tmp_path: Path) -> None:
    table = pa.table({"time_s": [1.0]}).replace_schema_metadata({"trialbed.schema_version": "2"})
    pq.write_table(table, tmp_path / "x.parquet")
    with pytest.raises(StoreError, match=r"newer version \(format 2; this one reads 1\); update trialbed"):
        read_columns(tmp_path / "x.parquet")


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"cannot read .*x\.parquet"):
        read_columns(tmp_path / "x.parquet")


def test_counters_of_many_cpus_take_little_room() -> None:
    """A busy counter rises by a few hundred ticks a second: two bytes a value would be plenty."""
    series = [
        Sample(float(t), 1e-4, t * 10**9, {f"cpu{n}.user_ticks": 10**9 + t * (n % 97) for n in range(640)})
        for t in range(600)
    ]
    content = to_parquet("host", columns.from_samples(series))
    assert len(content) < 640 * 600 * 2


def test_a_file_that_claims_more_readings_than_any_trial_has_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Run lengths (Parquet's encodings) put any number of equal rows into a few bytes; the footer tells how many."""
    path = tmp_path / "vcpu.parquet"
    path.write_bytes(to_parquet("vcpu", {"time_s": [1.0] * 100, "vcpu.0.run_ns": [0] * 100}))
    assert column_names(path) == ("time_s", "vcpu.0.run_ns")
    monkeypatch.setattr("orchestrator.adapters.store.parquet._MOST_READINGS", 199)
    with pytest.raises(StoreError, match="holds 100 rows, which no trial has; it was not read"):
        read_columns(path)
