"""Lines out of bytes: whatever way they arrive in, and whatever they are."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from orchestrator.adapters.ssh.peer import printable
from orchestrator.engine.lines import LineSplitter
from orchestrator.engine.ports import MAX_LINE

BYTES = st.lists(st.sampled_from([b"\n", b"\r", b"\r\n", b"a", b"\0", b"\xff", "東".encode(), b"\x1b[2J"])).map(
    b"".join
)


def split(chunks: list[bytes]) -> list[str]:
    splitter = LineSplitter()
    lines = [line for number, chunk in enumerate(chunks) for line in splitter.feed(chunk, float(number))]
    return [line.text for line in lines + splitter.finish(0.0)]


@given(BYTES, st.lists(st.integers(0, 200)))
def test_lines_do_not_depend_on_how_they_arrive(data: bytes, cuts: list[int]) -> None:
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    chunks = [data[start:end] for start, end in pairwise(edges)]
    expected = data.split(b"\n")
    if not expected[-1]:
        expected.pop()
    assert split(chunks) == [line.removesuffix(b"\r").decode("utf-8", "replace") for line in expected]


@given(BYTES)
def test_a_line_never_holds_its_end(data: bytes) -> None:
    assert not any("\n" in text for text in split([data]))


def test_each_line_is_stamped_with_the_arrival_of_its_end() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"be", 1.0) == []
    assert [line.arrived_s for line in splitter.feed(b"gun\nnext\n", 2.0)] == [2.0, 2.0]


def test_long_lines_are_cut_at_the_limit_in_characters() -> None:
    for filler in ("x", "é", "東", "🚢"):
        for length, cut in ((MAX_LINE - 1, False), (MAX_LINE, False), (MAX_LINE + 1, True), (9 * MAX_LINE, True)):
            splitter = LineSplitter()
            data = (filler * length).encode()
            lines = [
                line for start in range(0, len(data), 7919) for line in splitter.feed(data[start : start + 7919], 0)
            ]
            lines += splitter.feed(b"\nafter\n", 0)
            assert [(line.text, line.cut) for line in lines] == [
                (filler * min(length, MAX_LINE), cut),
                ("after", False),
            ]


def test_invalid_bytes_do_not_lengthen_a_line_beyond_the_limit() -> None:
    splitter = LineSplitter()
    (line,) = splitter.feed(b"\xff" * (5 * MAX_LINE) + b"\n", 0)
    assert line.cut
    assert line.text == "\ufffd" * MAX_LINE


@given(st.text())
def test_what_is_shown_of_foreign_text_is_one_printable_line(text: str) -> None:
    shown = printable(text)
    assert shown.isprintable()
    assert len(shown) <= 203
