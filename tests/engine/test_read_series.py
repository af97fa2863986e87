"""Reading logs: order, names, and the two ways of showing them."""

from __future__ import annotations

import io
import math

import pytest
from rich.console import Console

from orchestrator.adapters.report.reading_text import reading_json, render_reading
from orchestrator.engine.read_series import Log, SeriesResult, read_series

#: A steady log and one that never settles, by formula.
STEADY = tuple(100 + 2 * math.sin(7.1 * n * n) for n in range(300))
DRIFT = tuple(100 + 0.1 * n + 2 * math.sin(7.1 * n * n) for n in range(300))


def shown(result: SeriesResult) -> str:
    stream = io.StringIO()
    Console(file=stream, width=80).print(render_reading(result))
    return " ".join(stream.getvalue().split())


def test_each_log_is_judged_by_itself_and_in_order() -> None:
    first, second = read_series([Log("steady.csv", None, STEADY), Log("standard input", None, DRIFT)])
    assert (first.file, first.reading.steady) == ("steady.csv", True)
    assert (second.file, second.reading.steady) == ("standard input", False)
    assert first.reading.mean == pytest.approx(100, abs=0.5)
    assert first.reading.low is not None
    assert first.reading.high is not None
    assert first.reading.low < first.reading.mean < first.reading.high


def test_the_warm_up_is_told_in_the_logs_own_time() -> None:
    times = tuple(1000 + 2.0 * n for n in range(340))
    values = tuple(40 + n for n in range(40)) + STEADY
    (result,) = read_series([Log("late.csv", times, values)])
    assert result.reading.steady
    assert result.reading.warm_up_end_s is not None
    assert 1078 <= result.reading.warm_up_end_s <= 1300


def test_confidence_widens_the_interval() -> None:
    widths = []
    for confidence in (0.8, 0.95, 0.99):
        (result,) = read_series([Log("x", None, STEADY)], confidence)
        widths.append((result.reading.high or 0) - (result.reading.low or 0))
    assert widths == sorted(widths)
    assert widths[0] < widths[-1]


def test_json_has_the_promised_keys() -> None:
    (result,) = read_series([Log("x", None, (*STEADY, math.nan))])
    value = reading_json(result)
    assert value.keys() >= {"file", "steady", "reason", "warm_up_end_s", "mean", "low", "high", "effective_samples"}
    assert (value["file"], value["steady"], value["left_out"]) == ("x", True, 1)


def test_text_says_steady_or_not_and_why() -> None:
    good, bad = read_series([Log("good.csv", None, (*STEADY, math.nan)), Log("\x1b[2Jbad", None, DRIFT)])
    assert shown(good).startswith("+ good.csv: steady Steady from reading")
    assert "Why: " in shown(good)
    assert "Left out: one reading without a finite number." in shown(good)
    assert shown(bad).startswith(r"x \x1b[2Jbad: not steady Not steady: throughput")
