"""From a workload's lines to readings: both ways of reading, whatever a guest prints, and the time of each reading."""

from __future__ import annotations

import json
import math
import signal
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.adapters.guest_output import PATTERN_SEES, OutputReader, RawReading, place
from orchestrator.core.design.workload import BUILT_IN_READER, Reader
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.samples import Reading
from orchestrator.core.measure.throughput import throughput
from orchestrator.engine.ports import MAX_LINE, Line
from orchestrator.errors import WorkloadFault

AWAY = Offset(offset_s=5000.0, uncertainty_s=0.001, at_s=0.0, exchanges=10)
"""The guest's clock is 5000 s ahead of the controller's."""


def reader(**declared: object) -> OutputReader:
    return OutputReader(Reader.model_validate(declared))


def lines(*texts: str, first_s: float = 100.0) -> list[Line]:
    return [Line(text, first_s + n) for n, text in enumerate(texts)]


def values(readings: Sequence[Reading]) -> list[float]:
    return [reading.value for reading in readings]


# ------------------------------------------------------------------------------------------------ reading a line


def test_a_pattern_that_would_never_end_fails_its_trial_and_not_the_night(monkeypatch: pytest.MonkeyPatch) -> None:
    # Forty digits and an x: a repetition inside a repetition tries 2^40 ways to split them (common knowledge).
    monkeypatch.setattr("orchestrator.adapters.guest_output.PATTERN_TAKES_S", 0.05)
    output = reader(pattern=r"^(?P<value>([0-9]+)+)$")
    assert output.feed(lines("812", "813")) == 2
    with pytest.raises(WorkloadFault, match=r"takes more than 0\.05 s of CPU time"):
        output.feed(lines("1" * 40 + "x"))
    assert signal.getitimer(signal.ITIMER_VIRTUAL) == (0.0, 0.0)
    assert output.feed(lines("1" * 40 + "x", "814")) == 0, "the trial has failed: what is left is not read"


def test_a_pattern_finds_the_figure_among_other_lines() -> None:
    output = reader(pattern=r"(?P<value>[0-9.]+) ops/s")
    assert output.feed(lines("starting", "at 812.5 ops/s", "", "at 813 ops/s", "bye")) == 2
    assert output.readings(None) == [Reading(101.0, 812.5), Reading(103.0, 813.0)]
    assert (output.lines, output.unmatched) == (5, 3)
    assert output.problems() == []


def test_json_lines_are_read_by_field() -> None:
    output = reader(json={"value": "done", "time": "at"}, figure="count")
    shown = lines(
        '{"done": 10, "at": 5100.0}', "# banner", '{"done": 25, "at": 5101.0, "x": [1]}', '{"other": 1}', "{broken"
    )
    assert output.feed(shown) == 2
    assert output.readings(AWAY) == [Reading(100.0, 10.0), Reading(101.0, 25.0)]
    assert output.unmatched == 3


def test_what_the_built_in_workload_prints_is_read_by_its_reader() -> None:
    output = OutputReader(BUILT_IN_READER)
    line = {"operations": 1234, "monotonic_s": 5100.5, "elapsed_s": 1.0, "errors": 0, "workers": 2}
    assert output.feed([Line(json.dumps(line), 100.6)]) == 1
    assert output.readings(AWAY) == [Reading(100.5, 1234.0)]


@pytest.mark.parametrize(
    "figure",
    ['"12"', "12", "12.0", "1.2e1", '" 12 "', '"+12."'],
)
def test_numbers_in_any_usual_notation(figure: str) -> None:
    output = reader(json={"value": "n"})
    assert output.feed(lines(f'{{"n": {figure}}}')) == 1
    assert values(output.readings(None)) == [12.0]


@pytest.mark.parametrize(
    "figure",
    [
        *("NaN", "Infinity", "-Infinity", "1e400", "1" + "0" * 400, "9" * 5000, "1e19", "true", "null", "[]", "{}"),
        *(f'"{text}"' for text in ("nan", "0x10", "1_000", "1,5", "1e19", "", "\N{ARABIC-INDIC DIGIT TWO}")),
    ],
)
def test_what_is_no_figure_harms_nothing_and_is_told(figure: str) -> None:
    output = reader(json={"value": "n"}, figure="count")
    fed = lines('{"n": 10}', f'{{"n": {figure}}}', '{"n": 30}')
    assert output.feed(fed) == 2
    # What Python's JSON reader itself refuses (an integer of thousands of digits) is a line that does not match.
    read = values(output.readings(None))
    assert [value for value in read if not math.isnan(value)] == [10.0, 30.0]
    if len(read) == 3:
        assert any(
            problem.startswith("figures that are no finite number: 1, the first is ") for problem in output.problems()
        )
    assert throughput(output.readings(None), "count").rate == (10.0,)


def test_negative_and_falling_counts_reach_the_series_which_tells_them() -> None:
    output = reader(json={"value": "n"}, figure="count")
    assert output.feed(lines('{"n": 10}', '{"n": -5}', '{"n": 30}', '{"n": 3}', '{"n": 8}')) == 4
    series = throughput(output.readings(None), "count")
    assert series.rate == (10.0, 5.0)
    assert any("negative" in problem for problem in series.problems)
    assert any("falls of the count" in problem for problem in series.problems)


def test_a_rate_keeps_its_own_period_until_the_series_is_made() -> None:
    output = reader(pattern=r"(?P<value>\d+) per minute", per="minute")
    output.feed(lines("60 per minute", "120 per minute"))
    assert values(output.readings(None)) == [60.0, 120.0]
    assert throughput(output.readings(None), "rate", "minute").rate == (1.0, 2.0)


def test_a_workload_without_any_figure_is_told() -> None:
    output = reader(pattern=r"(?P<value>\d+) ops")
    assert output.feed(lines("hello", "world")) == 0
    assert output.problems() == ["none of 2 lines could be read by the reader"]


# ----------------------------------------------------------------------------------------------- hostile output

HOSTILE = {
    "binary": "".join(map(chr, range(256))) + "\N{REPLACEMENT CHARACTER}" * 50,
    "escapes": "\x1b[2J\x1b]0;title\x07\x1b[31m99 ops",
    "long": "9" * MAX_LINE,
    "deep": "{" + '"a":{' * 20_000,
    "deep list": '{"operations":' + "[" * 30_000,
    "not an object": '["operations", 5]',
    "nul": "\0" * 100,
    "a whole new line": '{"operations": 1}\r\n{"operations": 2}',
    "surrogates": '{"operations": "\\ud800"}',
}


@pytest.mark.parametrize("kind", HOSTILE)
@pytest.mark.parametrize("declared", [{"json": {"value": "operations"}}, {"pattern": r"(?P<value>[0-9]+) ops"}])
def test_hostile_lines_between_good_ones(kind: str, declared: dict[str, object]) -> None:
    output = reader(**declared)
    good = '{"operations": 7}  7 ops' if "pattern" in declared else '{"operations": 7}'
    output.feed([Line(good, 1.0), Line(HOSTILE[kind], 2.0, cut=kind == "long"), Line(good, 3.0)])
    assert values(output.readings(None))[0] == 7.0
    assert values(output.readings(None))[-1] == 7.0
    for problem in output.problems():
        assert problem.isprintable()
        assert len(problem) < 400
    if kind in {"binary", "escapes", "nul"}:
        assert any(problem.startswith("lines with characters that are no text: 1") for problem in output.problems())
    if kind == "long":
        assert any(
            problem.startswith(f"lines of more than {MAX_LINE} characters (cut): 1") for problem in output.problems()
        )


def test_a_pattern_sees_the_beginning_of_a_line_only() -> None:
    output = reader(pattern=r"(?P<value>[0-9]+) ops")
    assert output.feed([Line("x" * PATTERN_SEES + "5 ops", 1.0)]) == 0
    assert output.feed([Line("x" * (PATTERN_SEES - 5) + "5 ops", 1.0)]) == 1


@given(st.lists(st.text(max_size=200), max_size=20))
def test_no_text_raises(texts: list[str]) -> None:
    for output in (
        reader(json={"value": "a", "time": "t"}),
        reader(pattern=r"(?P<value>.*)"),
        reader(pattern=r"(?P<time>\S+)? (?P<value>\S+)?"),
    ):
        output.feed(lines(*texts))
        output.feed(lines(*(f'{{"a": {text}}}' for text in texts)))
        assert len(output.readings(AWAY)) + output.unmatched == output.lines
        assert all(problem.isprintable() for problem in output.problems())


# -------------------------------------------------------------------------------------------------------- times


def raw(*moments: tuple[float | None, float]) -> list[RawReading]:
    return [RawReading(float(n), guest_s, arrived_s) for n, (guest_s, arrived_s) in enumerate(moments)]


def test_without_a_time_in_the_lines_arrival_counts() -> None:
    assert place(raw((None, 1.0), (None, 2.5)), AWAY, None) == ([1.0, 2.5], "")


def test_the_guests_clock_takes_the_jitter_of_the_way_out() -> None:
    held_up = [0.002, 0.9, 0.05, 0.4, 0.003]
    read = raw(*((5000.0 + n, n + delay_s) for n, delay_s in enumerate(held_up)))
    times, told = place(read, AWAY, None)
    assert times == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert told == ""


def test_between_two_offsets_the_guests_rate_is_corrected() -> None:
    # A guest clock that gains 1 %: after 100 s of the controller's it shows 101 s more.
    before, after = Offset(5000.0, 0.001, 0.0, 10), Offset(5001.0, 0.001, 100.0, 10)
    read = raw(*((5000.0 + 1.01 * t, t + 0.001) for t in range(0, 101, 10)))
    times, told = place(read, before, after)
    assert times == pytest.approx([float(t) for t in range(0, 101, 10)])
    assert told == ""


@pytest.mark.parametrize(("epoch_s", "says"), [(-5000.0, ""), (1.7e9, "away from the guest's monotonic clock")])
def test_another_clock_is_shifted_to_the_fastest_line(epoch_s: float, says: str) -> None:
    # Seconds since 1970 are right in their differences, unknown in their zero; those since the start are as usual.
    held_up = [0.3, 0.002, 0.9, 0.05, 0.4]
    read = raw(*((5000.0 + epoch_s + n, n + delay_s) for n, delay_s in enumerate(held_up)))
    times, told = place(read, AWAY, None)
    assert times == pytest.approx([n + 0.002 for n in range(5)], abs=1e-5)
    assert (says in told) if says else told == ""


def test_with_an_unknown_offset_lines_are_placed_the_same_way() -> None:
    times, told = place(raw((7000.0, 100.5), (7001.0, 101.1)), None, None)
    assert times == pytest.approx([100.1, 101.1])
    assert "offset of the guest's clock is unknown" in told


@pytest.mark.parametrize(
    "guest_s",
    [lambda n: 1000.0 * n, lambda _n: 5000.0, lambda n: 5000.0 - n, lambda n: 5000.0 + n / 60],
    ids=["milliseconds", "frozen", "backwards", "minutes"],
)
def test_a_time_that_does_not_run_in_seconds_is_not_used(guest_s: Callable[[int], float]) -> None:
    read = raw(*((guest_s(n), n + 0.01) for n in range(20)))
    times, told = place(read, AWAY, None)
    assert times == [n + 0.01 for n in range(20)]
    assert "arrival times are used" in told


def test_lines_held_back_in_a_buffer_are_placed_when_they_were_printed() -> None:
    # A program that does not flush: ten lines arrive together, right after the tenth.
    read = raw(*((5000.0 + n, 10.0 * (n // 10) + 9.005) for n in range(40)))
    times, told = place(read, AWAY, None)
    assert times == [float(n) for n in range(40)]
    assert told == ""


def test_a_clock_that_stopped_between_the_offsets_is_not_interpolated() -> None:
    times, _ = place(raw((5000.0, 0.0), (5001.0, 1.0)), AWAY, Offset(4900.0, 0.001, 100.0, 10))
    assert times == [0.0, 1.0]


def test_a_line_without_its_time_is_placed_on_arrival() -> None:
    output = reader(pattern=r"(?:t=(?P<time>\S+) )?n=(?P<value>\d+)")
    output.feed(
        [Line("t=5100.0 n=1", 100.2), Line("n=2", 101.2), Line("t=later n=3", 102.2), Line("t=5103.0 n=4", 103.2)]
    )
    assert output.readings(AWAY) == [Reading(100.0, 1.0), Reading(101.2, 2.0), Reading(102.2, 3.0), Reading(103.0, 4.0)]
    assert output.problems() == ["times that are no finite number: 1, the first is 'later'"]


@given(
    st.lists(st.floats(0.01, 5.0), min_size=2, max_size=30),
    st.lists(st.floats(0.0, 0.5), min_size=30, max_size=30),
    st.floats(-1e6, 1e6),
)
def test_delays_on_the_way_never_change_the_distances(steps: list[float], delays: list[float], offset_s: float) -> None:
    moments = [sum(steps[:n]) for n in range(len(steps))]
    read = raw(*((moment + offset_s, moment + delay_s) for moment, delay_s in zip(moments, delays, strict=False)))
    times, _ = place(read, Offset(offset_s, 0.001, 0.0, 10), None)
    assert times == pytest.approx(moments, abs=1e-6)
