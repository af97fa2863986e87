"""Tables of readings: what is understood, and that everything wrong is said at once, with its place."""

from __future__ import annotations

import codecs

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.adapters.readings.table import UNNAMED, read_table
from orchestrator.adapters.readings.text import LONGEST_LINE, MOST_LISTED
from orchestrator.core.verdict.cells import Shares
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.errors import InputError

#: Readings as practitioners take them by hand (common practice, no published source).
BY_HAND = """\
shape,vcpus,threads,block,throughput,run,wait,idle
one,1,1,1,2400,62,10,36
two,2,1,1,1470,,,
two,2,2,1,2500,,,
"""
HEAD = "shape,vcpus,threads,throughput"


def read(text: str | bytes, per: str = "second") -> Evidence:
    return read_table("readings.csv", text if isinstance(text, bytes) else text.encode(), per=per)


def problems(text: str | bytes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(text)
    return [str(problem) for problem in caught.value.problems]


def test_a_table_by_hand() -> None:
    first, second, third = read(BY_HAND, per="minute").observations
    assert (first.shape, first.vcpus, first.threads, first.block) == ("one", 1, 1, 1)
    assert [o.throughput_per_s for o in (first, second, third)] == pytest.approx([40.0, 24.5, 2500 / 60])
    assert first.shares == Shares(run=0.62, wait=0.10, idle=0.36)
    assert second.shares == Shares()
    assert (first.workload, first.memory) == (UNNAMED, None)


@pytest.mark.parametrize(
    "text",
    [
        BY_HAND.replace("\n", "\r\n"),
        BY_HAND.replace("\n", "\r"),
        BY_HAND.replace(",", ";"),
        BY_HAND.replace(",", "\t"),
        BY_HAND.replace(",", " , "),
        BY_HAND.replace("62,10,36", "62 %,10%,36 %"),
        BY_HAND.replace("62,10,36", '"62",10.0,3.6e1'),
        BY_HAND.replace("shape,vcpus", "Shape,vCPUs"),
        "# by the bookings team\n\n" + BY_HAND + "\n\n,,,,,,,\n",
        BY_HAND.rstrip("\n"),
        BY_HAND.replace("1470,,,", "1470,-,-,-"),
        BY_HAND.replace("1470,,,", "1470"),
    ],
)
def test_the_same_table_in_other_hands(text: str) -> None:
    assert read(text) == read(BY_HAND)


@pytest.mark.parametrize(
    "encoded",
    [codecs.BOM_UTF8 + BY_HAND.encode(), BY_HAND.encode("utf-16"), codecs.BOM_UTF16_BE + BY_HAND.encode("utf-16-be")],
)
def test_byte_order_marks_are_no_part_of_the_table(encoded: bytes) -> None:
    assert read(encoded) == read(BY_HAND)


def test_columns_come_in_any_order_and_unused_ones_are_remarked() -> None:
    found = read("throughput,note,threads,vcpus,shape\n2400,slow day,1,1,one\n")
    assert found.observations[0].throughput_per_s == 2400
    assert found.remarks == ("Column 'note' of the table is not used.",)


def test_memory_of_a_shape_needs_to_be_given_once() -> None:
    found = read(f"{HEAD},memory,block\none,1,1,10,512 MiB,1\none,1,1,11,,2\n")
    assert [o.memory for o in found.observations] == [512 * 2**20] * 2


def test_repeated_readings_without_blocks_are_independent_and_remarked() -> None:
    found = read(f"{HEAD}\none,1,1,10\none,1,1,11\n")
    assert [o.block for o in found.observations] == [None, None]
    assert "taken as independent" in found.remarks[0]
    assert read(f"{HEAD}\none,1,1,10\n").remarks == ()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ["readings.csv: is empty"]),
        (" \n\n", ["readings.csv: is empty"]),
        ("# nothing\n", ["readings.csv: holds comments only"]),
        (HEAD, ["readings.csv:1: holds a header and no reading"]),
        ("shape,vcpus,threads\n1,1,1", ["readings.csv:1:throughput: the column is missing; a table has shape, vcpus"]),
        (
            "shape,vcpus,thread,troughput\n1,1,1,1",
            [
                "readings.csv:1:'thread': unknown column; did you mean threads?",
                "readings.csv:1:'troughput': unknown column; did you mean throughput?",
            ],
        ),
        (f"{HEAD},wiat\none,1,1,1,1", ["readings.csv:1:'wiat': unknown column; did you mean wait?"]),
        (f"{HEAD},shape\none,1,1,1,one", ["readings.csv:1:shape: the column occurs twice"]),
        (
            f"{HEAD}\none,1,1,2,400\n",
            ["readings.csv:2: has 5 fields where the header names 4; a number has no separator"],
        ),
        (f'{HEAD}\none,1,1,"2,400"\n', ["readings.csv:2:throughput: '2,400' is not a number; write a decimal point"]),
        (f"{HEAD}\none,1,1,\n", ["readings.csv:2:throughput: is empty; a number is needed"]),
        (f"{HEAD}\none,1,1,nan\n", ["readings.csv:2:throughput: 'nan' is not a number"]),
        (f"{HEAD}\none,1,1,inf\n", ["readings.csv:2:throughput: 'inf' is not a number"]),
        (f"{HEAD}\none,1,1,1e999\n", ["readings.csv:2:throughput: '1e999' is too large"]),
        (f"{HEAD}\none,1,1,1e16\n", ["readings.csv:2:throughput: '1e16' is too large for a throughput"]),
        (f"{HEAD}\none,1,1,1e-300\n", ["readings.csv:2:throughput: '1e-300' is too small for a throughput"]),
        (f"{HEAD}\none,1,1,-5\n", ["readings.csv:2:throughput: '-5' is negative"]),
        (f"{HEAD}\none,1,1,0\n", ["readings.csv:2:throughput: '0' is no throughput; leave the reading out"]),
        (f"{HEAD}\none,1.5,1,1\n", ["readings.csv:2:vcpus: '1.5' is not a whole number from 1 to 1024"]),
        (f"{HEAD}\none,1,0,1\n", ["readings.csv:2:threads: '0' is not a whole number from 1 to 4096"]),
        (
            f"{HEAD}\none,1,99999999999999999999,1\n",
            ["readings.csv:2:threads: '99999999999999999999' is not a whole number"],
        ),
        (f"{HEAD}\n,1,1,1\n", ["readings.csv:2:shape: is empty; give a name"]),
        (f"{HEAD}\no\x1b[31mne,1,1,1\n", [r"readings.csv:2:shape: 'o\x1b[31mne' is not a name"]),
        (f"{HEAD}\n{'x' * 61},1,1,1\n", ["readings.csv:2:shape: 'xxx"]),
        (f"{HEAD},memory\none,1,1,1,1 GB\n", ["readings.csv:2:memory: '1 GB' is not a size"]),
        (f"{HEAD},run\none,1,1,1,130\n", ["readings.csv:2:run: '130' is more than 100 %; give the average"]),
        (f"{HEAD},run\none,1,1,1,-1\n", ["readings.csv:2:run: '-1' is negative"]),
        (f"{HEAD}\none,1,1,1\none,2,2,1\n", ["readings.csv:3:vcpus: 2 for shape 'one', which has 1 on line 2"]),
        (
            f"{HEAD},memory\none,1,1,1,1 GiB\none,1,2,1,2 GiB\n",
            ["readings.csv:3:memory: 2 GiB for shape 'one', which has 1 GiB on line 2"],
        ),
        (
            f"{HEAD},block\none,1,1,1,1\none,1,1,2,1\n",
            ["readings.csv:3:block: shape 'one' with threads 1 was read in block 1 on line 2 already"],
        ),
        (
            f"{HEAD},block\none,1,1,1,1\none,1,1,2,\n",
            ["readings.csv:3:block: is empty, although other readings have a block"],
        ),
        (
            f'{HEAD}\n"one,1,1,1\ntwo,2,1,0\n',
            [
                "readings.csv:2: has a quotation mark that is not closed",
                "readings.csv:3:throughput: '0' is no throughput",
            ],
        ),
        (b"shape\0,vcpus\n", ["readings.csv:1: is not text: it holds zero bytes"]),
        (b"shape,vcpus\n\xff\xfe", ["readings.csv:2: is not text: byte 12 of the file is not UTF-8"]),
        (b"\xff\xfea", ["readings.csv: is not text: byte 2 of the file is not UTF-16"]),
        (HEAD + "\n" + "x" * (LONGEST_LINE + 1), [f"readings.csv:2: is {LONGEST_LINE + 1:,} characters long"]),
    ],
)
def test_what_is_wrong_is_said_with_its_place(text: str | bytes, expected: list[str]) -> None:
    found = problems(text)
    assert len(found) == len(expected)
    for said, start in zip(found, expected, strict=True):
        assert said.startswith(start)


def test_everything_wrong_is_said_at_once_in_the_order_of_lines() -> None:
    text = f"{HEAD},block,run\none,1,1,abc,1,5\none,2,x,5,1,180\none,1,1,0,1,\n"
    places = [line.split(": ")[0] for line in problems(text)]
    assert places == [
        "readings.csv:2:throughput",
        "readings.csv:3:threads",
        "readings.csv:3:run",
        "readings.csv:3:vcpus",
        "readings.csv:4:throughput",
        "readings.csv:4:block",
    ]


def test_a_flood_of_problems_is_cut_and_counted() -> None:
    found = problems(f"{HEAD}\n" + "one,1,1,x\n" * (MOST_LISTED + 7))
    assert len(found) == MOST_LISTED + 1
    assert found[-1] == "readings.csv: 7 more problems like these are not listed"


def outcome(data: bytes) -> list[str] | None:
    """What is said against some bytes; ``None`` when they hold readings. Any other exception fails the test."""
    try:
        assert read(data).observations
    except InputError as error:
        return [str(problem) for problem in error.problems]
    return None


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_order(data: bytes) -> None:
    said = outcome(data)
    assert said is None or said


@given(
    st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=12), min_size=4, max_size=4),
    st.sampled_from([",", ";", "\t"]),
)
def test_any_fields_are_read_or_refused_in_order(fields: list[str], delimiter: str) -> None:
    said = outcome((HEAD.replace(",", delimiter) + "\n" + delimiter.join(fields) + "\n").encode())
    assert said is None or all(line.isprintable() for line in said)


@given(st.floats(1e-10, 1e14), st.sampled_from(["second", "minute", "hour"]))
def test_figures_survive_the_file(throughput: float, per: str) -> None:
    period = {"second": 1, "minute": 60, "hour": 3600}[per]
    (seen,) = read(f"{HEAD}\none,1,1,{throughput!r}\n", per=per).observations
    assert seen.throughput_per_s == throughput / period
