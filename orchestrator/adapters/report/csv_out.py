"""A series as comma-separated values (RFC 4180): for a spreadsheet, or for ``trialbed read``."""

from __future__ import annotations

import csv
import io
import math

from orchestrator.core.measure.columns import Columns
from orchestrator.core.measure.samples import Throughput, Value


def columns_csv(columns: Columns) -> str:
    """Columns with a line of names; a counter that a reading does not have is an empty field."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_field(value) for value in row] for row in zip(*columns.values(), strict=True))
    return text.getvalue()


def rates_csv(rates: Throughput) -> str:
    """A throughput series as ``time_s,rate``: seconds since launch, operations per second until then."""
    return columns_csv({"time_s": rates.time_s, "rate": rates.rate})


def _field(value: Value | None) -> str:
    return "" if value is None or not math.isfinite(value) else str(value)
