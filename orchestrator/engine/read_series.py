"""The verb behind reading a throughput log: the measuring of a trial, applied to a log that somebody already has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.core.measure.log import LogReading, read_log


@dataclass(frozen=True)
class Log:
    """A throughput log.

    Attributes:
        name: what it is called in results: a path, or ``standard input``.
        times: seconds, rising; ``None`` when the log holds values only (then one a second is meant).
        values: throughput in the log's own unit.
    """

    name: str
    times: tuple[float, ...] | None
    values: tuple[float, ...]


@dataclass(frozen=True)
class SeriesResult:
    """A log and what measuring makes of it."""

    file: str
    reading: LogReading


def read_series(logs: Sequence[Log], confidence: float = 0.95) -> list[SeriesResult]:
    """Find steady state, mean and interval of each log.

    Args:
        logs: in the order in which the results are wanted.
        confidence: of the intervals.
    """
    return [SeriesResult(log.name, read_log(log.times, log.values, confidence)) for log in logs]
