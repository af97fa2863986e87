"""Samples as a table: one column a counter, one row a reading; the form in which series are stored and printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeAlias

from orchestrator.core.measure.samples import Sample, Value

#: Column name to one value a row; ``None`` where a reading does not have the counter, which is not 0.
Columns: TypeAlias = Mapping[str, Sequence[Value | None]]

#: The columns that every series of samples has; the others are its counters.
FIXED = ("time_s", "uncertainty_s", "source_ns")


def from_samples(samples: Sequence[Sample]) -> Columns:
    """Samples as columns; counters in the order in which they first appear.

    Raises:
        ValueError: a counter has the name of a fixed column.
    """
    names = list(dict.fromkeys(name for sample in samples for name in sample.values))
    if taken := set(FIXED) & set(names):
        raise ValueError(f"a counter is named {min(taken)}, which is a column of its own; rename the counter")
    columns: dict[str, Sequence[Value | None]] = {
        "time_s": [float(sample.time_s) for sample in samples],
        "uncertainty_s": [float(sample.uncertainty_s) for sample in samples],
        "source_ns": [sample.source_ns for sample in samples],
    }
    return columns | {name: [sample.values.get(name) for sample in samples] for name in names}


def to_samples(columns: Columns) -> list[Sample]:
    """The samples that :func:`from_samples` was given.

    Raises:
        ValueError: a fixed column is missing or has holes.
    """
    fixed: list[list[Value]] = []
    for name in FIXED:
        present = [value for value in columns.get(name, [None]) if value is not None]
        if len(present) != len(columns.get(name, [None])):
            raise ValueError(f"the series has no complete column {name}")
        fixed.append(present)
    counters = {name: values for name, values in columns.items() if name not in FIXED}
    return [
        Sample(
            float(time_s),
            float(uncertainty_s),
            int(source_ns),
            {name: value for name, value in zip(counters, row, strict=True) if value is not None},
        )
        for time_s, uncertainty_s, source_ns, *row in zip(*fixed, *counters.values(), strict=True)
    ]


def from_rows(rows: Sequence[Mapping[str, Value]], first: Sequence[str] = ()) -> Columns:
    """Rows as columns: those named in ``first``, then the others as they first appear."""
    names = dict.fromkeys([*first, *(name for row in rows for name in row)])
    return {name: [row.get(name) for row in rows] for name in names}


def to_rows(columns: Columns) -> list[Mapping[str, Value]]:
    """The rows that :func:`from_rows` was given."""
    rows = zip(*columns.values(), strict=True)
    return [{name: value for name, value in zip(columns, row, strict=True) if value is not None} for row in rows]
