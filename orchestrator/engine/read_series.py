"""The verb behind reading a throughput log: the measuring of a trial, applied to a log that somebody already has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.core.measure.log import LogReading, read_log
from orchestrator.core.measure.method import Step, explain_series


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
    """A log and what measuring makes of it.

    Attributes:
        timed: whether its times are seconds that it gave; without them they are numbers of readings.
        explanation: the steps that led to the reading; empty unless asked for.
    """

    file: str
    reading: LogReading
    timed: bool = True
    explanation: tuple[Step, ...] = ()


def read_series(logs: Sequence[Log], confidence: float = 0.95, *, explain: bool = False) -> list[SeriesResult]:
    """Find steady state, mean and interval of each log.

    Args:
        logs: in the order in which the results are wanted.
        confidence: of the intervals.
        explain: whether the steps are wanted that led to each result.
    """
    return [_read(log, confidence, explain=explain) for log in logs]


def _read(log: Log, confidence: float, *, explain: bool) -> SeriesResult:
    reading = read_log(log.times, log.values, confidence)
    if not explain:
        return SeriesResult(log.name, reading, log.times is not None)
    steps = explain_series(log.times, log.values, confidence=confidence, mean_over_s=reading.window_s)
    return SeriesResult(log.name, reading, log.times is not None, steps)
