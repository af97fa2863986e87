"""Throughput logs as text: what is understood, and what is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.adapters.readings.series import read_log_text
from orchestrator.engine.read_series import Log
from orchestrator.errors import InputError


def read(text: str | bytes) -> Log:
    return read_log_text("log.csv", text if isinstance(text, bytes) else text.encode())


def problems(text: str | bytes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(text)
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(
    "text", ["10\n8.5\n6e0\n", "throughput\n10\n8.5\n6", "# log\n\n10\r\n 8.5 \r\n\r\n6\r\n", "\ufeff10\n8.5\n6\n"]
)
def test_one_value_a_line(text: str) -> None:
    assert read(text) == Log("log.csv", None, (10.0, 8.5, 6.0))


@pytest.mark.parametrize(
    "text",
    [
        "0,10\n1,8\n2.5,6\n",
        "time,value\n0,10\n1,8\n2.5,6",
        "0;10\n1 ; 8\n2.5;6",
        "0 10\n1\t8\n2.5  6",
        '"tps","time_s"\n10,0\n8,1\n6,2.5\n',
    ],
)
def test_time_and_value(text: str) -> None:
    assert read(text) == Log("log.csv", (0.0, 1.0, 2.5), (10.0, 8.0, 6.0))


def test_readings_that_are_none_are_kept_as_gaps() -> None:
    log = read("1,10\n2,\n3,nan\n4,-inf\n5,1e999\n6,9\n")
    assert log.times == (1, 2, 3, 4, 5, 6)
    assert [math.isnan(value) for value in log.values] == [False, True, True, True, True, False]


def test_a_log_may_start_with_a_gap() -> None:
    assert len(read("nan\n10\n11\n").values) == 3


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ["log.csv: is empty"]),
        ("value\n", ["log.csv: holds no reading; one value a line is expected"]),
        ("# only\n", ["log.csv: holds no reading"]),
        ("10\nten\n9\n1_000\n", ["log.csv:2:value: 'ten' is not a number", "log.csv:4:value: '1_000' is not a number"]),
        ("0,10\n1\n2,9\n", ["log.csv:2: has 1 fields; expected 2 as on the first line"]),
        ("0,10,3\n", ["log.csv:1: has 3 fields; keep one column of values, or time and value"]),
        ("1,10\n1,9\n", ["log.csv:2:time: '1' is not later than 1 before it"]),
        ("5,10\n4,9\n6,8\n", ["log.csv:2:time: '4' is not later than 5 before it"]),
        ("time;value\n0;1,5\n1;1,6\n", ["log.csv:2: has 3 fields; keep one column of values, or time and value; wr"]),
        ("5,10\n3,9\n4,8\n5,7\n", ["log.csv:2:time: '3' is not later than 5 before it"]),
        ("0,10\nx,9\ninf,8\n", ["log.csv:2:time: 'x' is not a time", "log.csv:3:time: 'inf' is not a time"]),
        ("10\n\x1b[2J\n", [r"log.csv:2:value: '\x1b[2J' is not a number"]),
        (b"10\n\x00\n", ["log.csv:2: is not text: it holds zero bytes"]),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text: str | bytes, expected: list[str]) -> None:
    found = problems(text)
    assert len(found) == len(expected)
    for said, start in zip(found, expected, strict=True):
        assert said.startswith(start)


@given(st.lists(st.floats(-1e12, 1e12), min_size=1, max_size=50))
def test_values_survive_the_file(values: list[float]) -> None:
    assert read("\n".join(map(repr, values))).values == tuple(values)


def outcome(data: bytes) -> list[str] | None:
    """What is said against some bytes; ``None`` when they hold readings. Any other exception fails the test."""
    try:
        log = read(data)
    except InputError as error:
        return [str(problem) for problem in error.problems]
    assert log.values
    assert log.times is None or len(log.times) == len(log.values)
    return None


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_order(data: bytes) -> None:
    said = outcome(data)
    assert said is None or said
