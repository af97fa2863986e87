"""Figures read from what commands print: exact, in the units that the lab names, and never a guess."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.hypervisors.command.reading import Output, UnreadableError
from orchestrator.hypervisors.command.settings import Counters, Figure, SizeFigure, StateFigure, TimeFigure

#: International System of Units (BIPM, 9th edition, 2019): prefixes; IEC 80000-13: binary prefixes.
NANOSECONDS = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9}
BYTES = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30}


def figure(**declared: object) -> Figure:
    return Figure.model_validate(declared)


def output(text: str) -> Output:
    return Output(text, "bookings-db (old)")


@given(st.integers(0, 10**19), st.sampled_from(sorted(NANOSECONDS)), st.integers(0, 9))
def test_a_time_is_exact_to_the_nanosecond(digits: int, unit: str, places: int) -> None:
    """Python's exact fractions say what the printed number is; floats would lose the last digits of a long uptime."""
    text = f"{digits:0{places + 1}d}"
    text = f"{text[:-places]}.{text[-places:]}" if places else text
    reader = TimeFigure.model_validate({"pattern": "(?P<value>[0-9.]+)", "unit": unit})
    if len(text.split(".")[0]) <= 20:
        assert output(f"clock {text} up").time("clock", reader) == int(Fraction(text) * NANOSECONDS[unit])


@given(st.integers(0, 2**50), st.sampled_from(sorted(BYTES)))
def test_a_size_is_in_bytes_as_number_or_text(number: int, unit: str) -> None:
    reader = SizeFigure.model_validate({"json": "memory", "unit": unit})
    for text in (json.dumps({"memory": number}), json.dumps({"memory": str(number)})):
        assert output(text).size("memory", reader) == number * BYTES[unit]


def test_decimal_sizes_are_taken_where_they_are_whole_bytes() -> None:
    reader = SizeFigure.model_validate({"json": "m", "unit": "GiB"})
    assert output('{"m": 1.5}').size("memory", reader) == 3 * 2**29
    with pytest.raises(UnreadableError, match=r"memory: .* is not a whole number"):
        output('{"m": 0.3}').size("memory", reader)


@given(st.text(max_size=200), st.sampled_from(["a", "a.b", "0", "a.0.b", "."]))
def test_no_text_does_anything_but_read_or_refuse(text: str, path: str) -> None:
    out = output(text)
    for reader in (figure(json=path), figure(pattern="(?P<value>.+)"), figure(pattern="x(?P<value>y)?")):
        try:
            assert out.whole("vcpus", reader) >= 0
        except UnreadableError as error:
            said = str(error)
        else:
            continue
        assert said.startswith("vcpus: ")
        assert said.isprintable()


@pytest.mark.parametrize(
    ("text", "path", "words"),
    [
        ('{"size": {"cpus": 2}}', "size.vcpus", "no field 'size.vcpus': where 'vcpus' is looked for, there are cpus"),
        ('{"size": 2}', "size.vcpus", "there is '2'"),
        ("[1, 2]", "7", "there is a list of 2"),
        ('{"size": null}', "size", "its field 'size' holds nothing"),
        ('{"size": {"a": 1}}', "size", "holds a mapping of 1 key"),
        ('{"size": "two"}', "size", "'two' is not a number from 0 on"),
        ('{"size": -1}', "size", "'-1' is not a number from 0 on"),
        ('{"size": NaN}', "size", "'NaN' is not a number"),
        ('{"size": 1e999999999}', "size", "is not a number"),
        ('{"size": true}', "size", "'true' is not a number"),
        ('{"size": 2.5}', "size", "2.5 is not a whole number"),
        ("[" * 100_000, "size", "no JSON document"),
        ("", "size", "no JSON document"),
    ],
)
def test_a_figure_that_is_not_there_is_said(text: str, path: str, words: str) -> None:
    with pytest.raises(UnreadableError) as caught:
        output(text).whole("vcpus", figure(json=path))
    assert words in str(caught.value)


def test_positions_lead_into_lists_and_exponents_are_numbers() -> None:
    assert output('{"guests": [{"cpus": 1}, {"cpus": 2e0}]}').whole("vcpus", figure(json="guests.1.cpus")) == 2


def test_a_pattern_finds_the_line_of_the_guest_by_its_name() -> None:
    """As in a list of all guests; the name is text, whatever characters of patterns it holds."""
    listing = "bookings-dbold    9  running\nbookings-db (old)    4  running\nother    5  off\n"
    assert output(listing).whole("vcpus", figure(pattern=r"^{domain}\s+(?P<value>\d+)")) == 4
    with pytest.raises(UnreadableError, match="nothing in it matches"):
        Output(listing, "none").whole("vcpus", figure(pattern=r"^{domain}\s+(?P<value>\d+)"))


STATE = {"running": ["up", "idle"], "stopped": ["shut off"], "paused": ["held"], "crashed": ["panic"]}


@pytest.mark.parametrize(
    ("word", "state"),
    [("up", "running"), ("idle", "running"), ("shut off", "stopped"), ("held", "paused"), ("panic", "crashed")],
)
def test_words_for_power_states(word: str, state: str) -> None:
    reader = StateFigure.model_validate({"pattern": "^state: (?P<value>.*)$", **STATE})
    assert output(f"name: x\nstate: {word} \n").state(reader) == state


def test_a_boolean_is_a_word_for_a_power_state() -> None:
    reader = StateFigure.model_validate({"json": "on", "running": ["true"], "stopped": ["false"]})
    assert output('{"on": true}').state(reader) == "running"
    assert output('{"on": false}').state(reader) == "stopped"
    with pytest.raises(UnreadableError, match="state: 'up' is none of the states that the lab lists: true, false"):
        output('{"on": "up"}').state(reader)


# ----------------------------------------------------------------------------------------------------- counters


def counters(**declared: object) -> Counters:
    return Counters.model_validate({"command": ["count"], "unit": "us", **declared})


BY_PATTERN = counters(pattern=r"^(?P<vcpu>\d+) (?P<run>\d+)(?: (?P<wait>\d+))?$")
BY_FIELDS = counters(json={"vcpu": "id", "run": "used", "wait": "steal"})


@given(st.dictionaries(st.integers(0, 1023), st.tuples(st.integers(0, 2**63), st.none() | st.integers(0, 2**63))))
def test_each_vcpu_is_read_and_what_is_not_counted_is_missing(
    truth: dict[int, tuple[int, int | None]],
) -> None:
    text = "banner\n" + "".join(f"{n} {run}{'' if wait is None else f' {wait}'}\n" for n, (run, wait) in truth.items())
    objects = "{}\nbanner\n" + "".join(
        json.dumps({"id": n, "used": run} | ({} if wait is None else {"steal": wait})) + "\n"
        for n, (run, wait) in truth.items()
    )
    expected = {
        n: {"run_ns": run * 1000} | ({} if wait is None else {"wait_ns": wait * 1000})
        for n, (run, wait) in truth.items()
    }
    for reader, printed in ((BY_PATTERN, text), (BY_FIELDS, objects)):
        if truth:
            assert output(printed).vcpus(reader) == expected
        else:
            with pytest.raises(UnreadableError, match="no line of it tells of a vCPU"):
                output(printed).vcpus(reader)


def test_a_vcpu_that_is_there_twice_is_an_error() -> None:
    with pytest.raises(UnreadableError, match="run and wait: vCPU 0 is there twice"):
        output("0 1 2\n0 2 3\n").vcpus(BY_PATTERN)


def test_null_is_not_zero() -> None:
    assert output('{"id": 0, "used": 5, "steal": null}').vcpus(BY_FIELDS) == {0: {"run_ns": 5000}}


@given(st.text())
def test_no_text_makes_counters_of_itself(text: str) -> None:
    for reader in (BY_PATTERN, BY_FIELDS):
        try:
            found = output(text).vcpus(reader)
        except UnreadableError:
            continue
        assert all(value >= 0 for values in found.values() for value in values.values())
