"""Series to Parquet and back: the one module that knows pyarrow.

A series is one wide table: a row a reading, a column a counter. Whole numbers are ``int64``, others ``float64``; a
counter that a reading does not have is null, which is not 0. What the columns mean travels in the file's own metadata.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from orchestrator.core.design.wording import shown
from orchestrator.core.measure.columns import Columns
from orchestrator.core.measure.samples import Value
from orchestrator.errors import StoreError

SCHEMA_VERSION = "1"

#: A run may come from anybody, and a small file can claim any number of rows. A day of a thousand counters has fewer.
_MOST_READINGS = 10**8

_INT64 = range(-(2**63), 2**63)
_UINT64 = range(2**64)

#: Column (N is a number) to unit and meaning; written into each file.
MEANINGS: dict[str, tuple[str, str]] = {
    "time_s": ("s", "controller's monotonic clock at the middle of the reading"),
    "uncertainty_s": ("s", "half-width of what is known about time_s"),
    "source_ns": ("ns", "clock of the machine that was read"),
    "value": ("as the plan's reader says", "operations per period, or operations since the start"),
    "vcpu.N.run_ns": ("ns", "cumulative time that vCPU N was executing"),
    "vcpu.N.wait_ns": ("ns", "cumulative time that vCPU N was runnable and waited for a physical CPU (run delay)"),
    "vcpu.N.surplus_ns": ("ns", "cumulative CPU time and run delay outside the vCPU layer's control"),
    "cpu.*_ticks": ("ticks", "cumulative time of all CPUs in one state (/proc/stat)"),
    "cpuN.*_ticks": ("ticks", "cumulative time of CPU N in one state (/proc/stat)"),
    "ticks_per_s": ("1/s", "ticks in a second (USER_HZ)"),
    "load.1min": ("tasks", "load average of one minute (/proc/loadavg)"),
    "load.runnable": ("tasks", "runnable tasks at the reading (/proc/loadavg)"),
    "pressure.cpu_some_us": ("us", "cumulative time in which some task waited for a CPU (/proc/pressure/cpu)"),
    "cpuN.khz": ("kHz", "frequency of CPU N at the reading (cpufreq)"),
    "cpuN.throttles": ("events", "cumulative thermal throttling events of CPU N's core"),
    "zoneN.millicelsius": ("m°C", "temperature of thermal zone N at the reading"),
    "thread.ID.run_ns": ("ns", "cumulative time that thread ID was executing (schedstat)"),
    "thread.ID.wait_ns": ("ns", "cumulative run delay of thread ID (schedstat)"),
}


def to_parquet(series: str, columns: Columns) -> bytes:
    """A Parquet file; the same columns give the same bytes.

    Args:
        series: its name, kept in the file's metadata: ``throughput``, ``host``, ``guest``, ``vcpu``.
        columns: of equal length.
    """
    arrays = {name: _array(name, values) for name, values in columns.items()}
    meanings = {name: {"unit": unit, "meaning": meaning} for name, (unit, meaning) in MEANINGS.items()}
    metadata = {
        "trialbed.schema_version": SCHEMA_VERSION,
        "trialbed.series": series,
        "trialbed.columns": json.dumps(meanings),
    }
    table = pa.table(arrays).replace_schema_metadata(metadata)
    whole = [name for name, array in arrays.items() if pa.types.is_integer(array.type)]
    buffer = pa.BufferOutputStream()
    pq.write_table(
        table,
        buffer,
        compression="zstd",
        use_dictionary=False,
        column_encoding=dict.fromkeys(whole, "DELTA_BINARY_PACKED") or None,  # counters rise by small steps
        write_statistics=["time_s"],  # counters are many and short: their statistics would outweigh them
    )
    return buffer.getvalue().to_pybytes()


def read_columns(path: Path) -> Columns:
    """A series as columns of plain values.

    Raises:
        StoreError: when the file is missing, damaged or of a newer version.
    """
    try:
        file = pq.ParquetFile(path)
        if file.metadata.num_rows * max(file.metadata.num_columns, 1) > _MOST_READINGS:
            raise StoreError(f"{path} holds {file.metadata.num_rows} rows, which no trial has; it was not read")
        for column in file.schema_arrow:  # text, lists and bytes may take any room, and are no readings
            if not (pa.types.is_integer(column.type) or pa.types.is_floating(column.type)):
                raise StoreError(f"{path}: column {shown(column.name)} is no numbers; it was not written by trialbed")
        table = file.read(use_threads=False)
    except (OSError, pa.ArrowException) as error:
        raise StoreError(
            f"cannot read {path}: {_first_line(error)}; restore it from a copy, or read the trial's other files"
        ) from error
    version = (
        (table.schema.metadata or {})
        .get(b"trialbed.schema_version", SCHEMA_VERSION.encode())
        .decode("utf-8", "replace")
    )
    if version != SCHEMA_VERSION:
        raise StoreError(
            f"{path} was written by a newer version "
            f"(format {version}; this one reads {SCHEMA_VERSION}); update trialbed"
        )
    return dict(zip(table.column_names, (column.to_pylist() for column in table.columns), strict=True))


def column_names(path: Path) -> tuple[str, ...]:
    """The names of a series' columns, without its readings.

    Raises:
        StoreError: when the file is missing or damaged.
    """
    try:
        return tuple(pq.read_schema(path).names)
    except (OSError, pa.ArrowException) as error:
        raise StoreError(f"cannot read {path}: {_first_line(error)}; restore it from a copy") from error


def _array(name: str, values: Sequence[Value | None]) -> pa.Array[Any]:
    present = [value for value in values if value is not None]
    if name in {"time_s", "uncertainty_s"} or not all(isinstance(value, int) for value in present):
        return pa.array([None if value is None else float(value) for value in values], pa.float64())
    for kind, limits in ((pa.int64(), _INT64), (pa.uint64(), _UINT64)):
        if all(value in limits for value in present):
            return pa.array(values, kind)
    return pa.array([None if value is None else float(value) for value in values], pa.float64())


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
