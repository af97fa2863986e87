"""Reading logs: order, names, and the two ways of showing them."""

from __future__ import annotations

import io
import math
import re

import numpy as np
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


def test_only_what_is_so_is_said_of_the_warm_up() -> None:
    noise = 1000 + np.random.default_rng(5).normal(0, 10, 480)
    slow = noise - 300 * np.exp(-np.arange(480) / 60)
    dips = np.where(np.arange(480) % 40 < 3, 0.6, 1.0) * noise
    said = []
    for values in (slow, dips):
        (result,) = read_series([Log("x", None, tuple(values.tolist()))])
        latest, window, text = result.reading.latest_s, result.reading.window_s, shown(result)
        assert latest is not None
        assert window is not None
        told = "before the mean begins" in text, "allows for what may be left" in text
        assert told == (latest <= window[0], latest > window[0])
        said.append(told)
    assert said == [(False, True), (True, False)]


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


def test_a_log_explains_itself_step_by_step_with_sources() -> None:
    good, bad = read_series([Log("good.csv", None, STEADY), Log("bad.csv", None, DRIFT)], explain=True)
    names = [step.step for step in good.explanation]
    assert names == ["readings", "end of the warm-up", "steady or not", "variance of the mean", "interval"]
    assert all(re.search(r"\b(1[89]|20)\d\d\b|common practice", step.source) for step in good.explanation)
    assert [step.step for step in bad.explanation][-1] == "steady or not"
    assert bad.explanation[-1].what == f"no: {bad.reading.kind}: throughput {bad.reading.reason}"
    assert "How this was reached" in shown(good)
    assert shown(good).count("[") == len(names), "each step names its source"
    assert [step["step"] for step in reading_json(good)["explanation"]] == names
    (plain,) = read_series([Log("good.csv", None, STEADY)])
    assert "explanation" not in reading_json(plain)
    assert "How this was reached" not in shown(plain)


def test_the_explanation_tells_what_was_really_done() -> None:
    """Which of the two variances counted, and the figures that entered, are those of the reading itself."""
    (result,) = read_series([Log("x", None, STEADY)], explain=True)
    steps = {step.step: step.what for step in result.explanation}
    assert result.reading.freedom is not None
    assert f"Student's t with {result.reading.freedom:.0f} degrees of freedom" in steps["interval"]
    assert (
        f"the {result.reading.readings} readings are worth {result.reading.effective_samples:.0f}" in steps["interval"]
    )
    told = re.search(r"the wider counts: (.+)$", steps["variance of the mean"])
    assert told is not None
    widths = dict(re.findall(r"([a-z ]+) ± ([\d.]+) %", steps["variance of the mean"]))
    assert float(widths[next(name for name in widths if told[1] in name)]) == max(map(float, widths.values()))


def test_the_explanation_follows_regular_slowdowns_gaps_and_impossible_readings() -> None:
    dips = [600.0 if n % 40 < 4 else 1000.0 + 3 * ((n * 37) % 11 - 5) for n in range(400)]
    dips[100] = -5e6
    times = [float(n) for n in range(400)]
    del dips[200:203], times[200:203]
    (result,) = read_series([Log("x", tuple(times), tuple(dips))], explain=True)
    steps = {step.step: step.what for step in result.explanation}
    assert "every 40 s" in steps["regular slowdowns"]
    assert "1 cannot be true (negative: a counter was reset); 3 are missing" in steps["readings"]
    assert "It slows down regularly, every 40 s" in shown(result)
    assert "Left out: -5000000 at 100, negative" in shown(result)


def test_few_or_equal_readings_are_explained_too() -> None:
    short, level = read_series([Log("x", None, (3.0,) * 5), Log("y", None, (3.0,) * 50)], explain=True)
    assert [step.step for step in short.explanation] == ["readings", "steady or not"]
    assert "all readings are the same" in level.explanation[-1].what
    (nothing,) = read_series([Log("z", None, (math.nan,) * 3)], explain=True)
    assert nothing.explanation
