"""YAML that is broken, that means two things, or that tries something; bytes that are no text.

Which words YAML 1.1 and 1.2 read differently is from the two specifications: yaml.org/type (bool, int, float,
timestamp, merge; 2005) and YAML 1.2.2, chapter 10 (2021).
"""

from __future__ import annotations

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_texts import FOREIGN, LAB, PLAN, check_manners, edited, position, problems, read

from orchestrator.adapters.plan_file.scalars import AmbiguousWordError, read_word
from orchestrator.errors import InputError

ONE = "{name: one, vcpus: 1, memory: 512 MiB}"

#: A whole plan, then line and words of the problem that has to be found.
TEXTS = [
    ("", 1, "the file is empty"),
    ("\n\n# nothing here\n", 1, "the file is empty"),
    ("---\n", 2, "found nothing; a plan is a mapping"),
    ("null\n", 1, "found nothing; a plan is a mapping"),
    ("5\n", 1, "found 5; a plan is a mapping"),
    ("just words\n", 1, "found 'just words'"),
    ("- a\n- b\n", 1, "a list of 2"),
    ("[]\n", 1, "an empty list"),
    ("'quoted'\n", 1, "'quoted'"),
    (f"{PLAN}---\n{PLAN}", 28, "a second document begins here"),
    (f"{PLAN}...\n---\n{PLAN}", 29, "a second document begins here"),
    ("title: a: b\n", 1, "put text that holds ': ' in quotes"),
    ("title: 'a\n", 2, "close the quote"),
    ('title: "a\nlab: x\n', 3, "close the quote"),
    ("title: [a, b\n", 2, "close with ']'"),
    ("title: {a: b\nlab: c\n", 2, "close with '}'"),
    ("title: {a: b\n", 2, "close with '}'"),
    ("title: ]\n", 1, "check quotes, brackets and indentation"),
    ("title: x\n\tlab: y\n", 2, "a tab cannot indent"),
    ("shapes:\n\t- x\n", 2, "a tab cannot indent"),
    ("title: x\n  lab: y\n", 2, "a ':' where no key can be"),
    (" title: x\nlab: y\n", 2, "check quotes, brackets and indentation"),
    ("title: @x\n", 1, "put the text in quotes"),
    ("title: `x`\n", 1, "put the text in quotes"),
    ("title: %x\n", 1, "put the text in quotes"),
    ('title: "\\q"\n', 1, "write it twice, or use single quotes"),
    ('title: "\\x4"\n', 1, "an escape in double quotes is incomplete"),
    ('title: "\\U00110000"\n', 1, "a character or escape that YAML does not know"),
    ('title: "\\uD800"\n', 1, "half a surrogate pair"),
    ('title: "\\0"\n', 1, "NUL"),
    ("title x\nlab: y\n", 2, "a ':' where no key can be"),
    ("title: x\nlab\n", 3, "a key without its ':'"),
    ("title: - x\n", 1, "begin the list on a line of its own"),
    ("%YAML 3.0\n---\ntitle: x\n", 1, "asks for another YAML"),
    ("%TAG ! !\n%TAG ! !\n---\ntitle: x\n", 2, "defines tags, which are not read"),
    ("title: !!python/object/apply:os.system [id]\n", 1, "tag '!!python/object/apply:os.system' is not read"),
    ("title: !!python/name:os.system ''\n", 1, "is not read"),
    ("title: !secret x\n", 1, "tag '!secret' is not read"),
    ("!!python/object:os.system {}\n", 1, "is not read"),
    ("title: !!str x\n", 1, "tag '!!str' is not read"),
    ("title: !<tag:example,2026:x> x\n", 1, "is not read"),
    ("shapes: !!set {a, b}\n", 1, "tag '!!set' is not read"),
    ("title: !!binary aGVsbG8=\n", 1, "tag '!!binary' is not read"),
    ("title: *nobody\n", 1, "names no anchor before it"),
    ("title: *\n", 1, "cannot be read as YAML"),
    ("title: &a\n", 1, "has no value"),
    ("shapes: &a [*a]\n", 1, "inside the value it repeats"),
    ("shapes: &a {x: {y: *a}}\n", 1, "inside the value it repeats"),
    ("x: &a {b: 1}\ny: {<<: *a}\n", 2, "merge keys are not read"),
    ("x: &a {b: 1}\ny: {<<: [*a, *a], b: 2}\n", 2, "merge keys are not read"),
    ("title: x\ntitle: y\n", 2, "key 'title' is written twice, first at 1:1"),
    ("title: x\n'title': y\n", 2, "key 'title' is written twice, first at 1:1"),
    ('title: x\n"\\x74itle": y\n', 2, "key 'title' is written twice, first at 1:1"),
    ("? [a, b]\n: c\n", 1, "a key is text, not a list"),
    ("? {a: b}\n: c\n", 1, "a key is text, not a list"),
    ("? x\n", 1, "unknown key 'x'"),
    ("? &a x\n: y\n", 1, "carries a tag or an anchor"),
    ("a: &k x\n*k : y\n", 2, "a key is text, not a list, mapping or alias"),
    ("!!str title: x\n", 1, "carries a tag"),
    ("1: x\n", 1, "a key is 1, which is not text"),
    ("1.5: x\n", 1, "a key is 1.5, which is not text"),
    ("true: x\n", 1, "a key is true, which is not text"),
    ("~: x\n", 1, "a key is empty"),
    ("{: x}\n", 1, "cannot be read as YAML"),
    (": x\n", 1, "the indentation does not fit"),
    ("on: x\n", 1, "'on' is a boolean to some YAML readers"),
    ("no: x\n", 1, "'no' is a boolean to some YAML readers"),
    ("y: 2\n", 1, "'y' is a boolean to some YAML readers"),
    ("2026-01-01: x\n", 1, "a date"),
    ("[" * 2000, 1, "nested more than 50 levels deep"),
    ("{a: " * 2000, 1, "nested more than 50 levels deep"),
    ("{" * 2000, 1, "nested more than 50 levels deep"),
    ("? " * 2000, 1, "nested more than 50 levels deep"),
    ("- " * 500 + "x\n", 1, "nested more than 50 levels deep"),
    ("".join(f"{'  ' * i}a:\n" for i in range(200)), 52, "nested more than 50 levels deep"),
    ("shapes: [" + "1, " * 20_000 + "1]\n", 1, "more than 10000 values"),
    ("k: 1\n" + "".join(f"k{i}: 1\n" for i in range(12_000)), 10_001, "more than 10000 values"),
]

#: An unquoted word where a title stands, and what is said about it.
WORDS = [
    *((word, "a boolean") for word in ("yes", "Yes", "NO", "no", "on", "Off", "y", "N")),
    *((word, "an octal number") for word in ("010", "007", "-012", "08")),
    *((word, "another base") for word in ("0x1F", "0o17", "0b101", "-0xff")),
    *((word, "is a number to some") for word in ("1_000", "1_0.5")),
    *((word, "base 60") for word in ("1:30", "190:20:30", "1:30.5", "-1:30")),
    *((word, "not a finite number") for word in (".inf", "-.INF", ".nan", "+.Inf")),
    *((word, "a date") for word in ("2026-11-25", "2026-1-2", "2026-11-25T10:00:00Z")),
    *((word, "too large a number") for word in ("1" * 20, "9" * 5000, "1e999", "-1e400", "9" * 400 + ".0")),
]


@pytest.mark.parametrize(("text", "line", "words"), TEXTS, ids=[f"{i}-{t[2][:30]}" for i, t in enumerate(TEXTS)])
def test_broken_or_two_faced_yaml_is_found_at_its_line(text: str, line: int, words: str) -> None:
    found = [p for p in problems(text) if words in p.message]
    assert found, problems(text)
    assert position(found[0])[:2] == ("plan.yaml", line)


@pytest.mark.parametrize(("word", "words"), WORDS, ids=[w[0][:24] for w in WORDS])
def test_a_word_that_readers_disagree_about_is_refused_and_may_be_quoted(word: str, words: str) -> None:
    title = "title: How many vCPUs does the bookings database need?"
    (found,) = problems(edited(PLAN, title, f"title: {word}"))
    assert (position(found), found.field) == (("plan.yaml", 1, 8), "title")
    assert words in found.message
    assert "quotes" in found.message
    if len(word) <= 200:
        assert read(edited(PLAN, title, f"title: '{word}'")).plan.title == word


def test_words_that_both_versions_of_yaml_agree_on_are_read_as_both_do() -> None:
    words = [
        "true",
        "FALSE",
        "null",
        "~",
        "0",
        "-7",
        "+7",
        "12",
        "1.5",
        "-0.25",
        "6.02e+23",
        "one",
        "bookings-1",
        "3 %",
        "5 min",
        "a:b",
    ]
    for word in words:
        assert read_word(word) == yaml.safe_load(word), word
        assert type(read_word(word)) is type(yaml.safe_load(word)), word


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="0123456789+-._:eExobnaifyYNT ", min_size=1, max_size=12).map(str.strip).filter(bool))
def test_a_word_is_refused_or_read_as_the_reference_reader_of_yaml_1_1_does(word: str) -> None:
    """PyYAML reads YAML 1.1. Where we do not refuse, we agree with it, but for numbers it misses: 1e3, -.5."""
    try:
        ours = read_word(word)
    except AmbiguousWordError:
        return
    try:
        theirs = yaml.safe_load(word)
    except (yaml.YAMLError, ValueError):
        return  # no plain word at all: the parser refuses it before it is read
    if isinstance(ours, float) and isinstance(theirs, str):
        assert "e" in word.lower() or word.startswith(("-.", "+."))
        return
    if isinstance(theirs, str | int | float | bool | None):
        assert (ours, type(ours)) == (theirs, type(theirs))


# --------------------------------------------------------------------------------------------------------- aliases


def test_an_alias_may_repeat_a_value() -> None:
    plan = edited(PLAN, ONE, "{name: one, vcpus: 1, memory: &m 1 GiB}").replace(
        "    memory: 1 GiB\n", "    memory: *m\n"
    )
    first, second = read(plan).plan.shapes
    assert first.memory == second.memory == 2**30


def test_an_alias_to_a_wrong_value_is_reported_where_the_value_stands() -> None:
    plan = edited(PLAN, ONE, "{name: one, vcpus: 1, memory: &m 512}").replace("    memory: 1 GiB\n", "    memory: *m\n")
    assert [(p.field, position(p)[1]) for p in problems(plan)] == [("shapes[0].memory", 5), ("shapes[1].memory", 5)]


def test_what_aliases_expand_to_is_bounded() -> None:
    layers = ["l0: &l0 [x, x, x, x, x, x, x, x, x, x]"]
    layers += [f"l{i}: &l{i} [{', '.join([f'*l{i - 1}'] * 10)}]" for i in range(1, 10)]
    (found,) = problems("\n".join(layers) + "\n")
    assert "more than 10000 values, aliases expanded" in found.message
    assert position(found)[1] == 4


def test_aliases_cannot_nest_deeper_than_is_allowed() -> None:
    layers = ["l0: &l0 [x]"] + [f"l{i}: &l{i} [*l{i - 1}]" for i in range(1, 80)]
    (found,) = problems("\n".join(layers) + "\n")
    assert "nests more than 50 levels deep" in found.message


def test_a_name_may_be_given_to_two_values_in_turn() -> None:
    plan = edited(PLAN, ONE, "{name: one, vcpus: &v 1, memory: &v 512 MiB}").replace(
        "    memory: 1 GiB\n", "    memory: *v\n"
    )
    assert read(plan).plan.shapes[1].memory == 512 * 2**20


# ----------------------------------------------------------------------------------------------------------- bytes


def test_line_ends_and_a_byte_order_mark_do_not_matter() -> None:
    expected = read().plan
    for content in (PLAN.replace("\n", "\r\n").encode(), b"\xef\xbb\xbf" + PLAN.encode(), PLAN.rstrip("\n").encode()):
        assert read(content).plan == expected
    windows = edited(PLAN, "blocks: 4", "blocks: 0").replace("\n", "\r\n")
    assert position(problems(windows)[0]) == ("plan.yaml", 18, 11)


@pytest.mark.parametrize(
    ("content", "place", "words"),
    [
        (PLAN.encode("utf-16"), (1, 1), "UTF-16"),
        (PLAN.encode("utf-16-le"), (1, 1), "UTF-16"),
        (PLAN.encode("utf-16-be"), (1, 1), "UTF-16"),
        (PLAN.encode("utf-32"), (1, 1), "UTF-32"),
        ("title: Fähre\n".encode("latin-1"), (1, 9), "byte 0xe4 is not UTF-8"),
        (b"title: x\nlab: \xff\n", (2, 6), "byte 0xff is not UTF-8"),
        (b"\xef\xbb\xbftitle: \xc3\n", (1, 8), "byte 0xc3 is not UTF-8"),
        (b"title: a\0b\n", (1, 9), "U+0000"),
        (b"title: x\r\nlab: \x1b[2J\n", (2, 6), "U+001B"),
        (b"title: \x7f\n", (1, 8), "U+007F"),
        ("title: \ufffe\n".encode(), (1, 8), "U+FFFE"),
        (b"\x7fELF\x02\x01\x01" + b"\0" * 64, (1, 1), "U+007F"),
        (b"PK\x03\x04" + bytes(range(256)), None, ""),
        (b"\x1f\x8b\x08\x00", None, ""),
        (b"\0" * 100, (1, 1), "UTF-16"),
    ],
)
def test_bytes_that_are_no_text(content: bytes, place: tuple[int, int] | None, words: str) -> None:
    for found, name in ((problems(plan=content), "plan.yaml"), (problems(lab=content), "lab.yaml")):
        assert words in found[0].message
        assert position(found[0])[0] == name
        assert place is None or position(found[0])[1:] == place


# ------------------------------------------------------------------------------------------------------ hypothesis


def survives(plan: str | bytes, lab: str | bytes) -> None:
    """Either loads, or says what is wrong; nothing else gets out."""
    try:
        read(plan, lab)
    except InputError as error:
        check_manners(error.problems)


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(content: bytes) -> None:
    survives(content, content)


_LINE = st.text(alphabet=st.sampled_from("ab01:-?,[]{}&*!|>'\"%@`#~<. \n\t\\"), max_size=40)


@settings(max_examples=150, deadline=None)
@given(_LINE)
def test_any_text_of_the_characters_that_yaml_gives_a_meaning(text: str) -> None:
    survives(text, text)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_good_file_with_a_piece_replaced(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(PLAN)))
    end = data.draw(st.integers(start, min(len(PLAN), start + 30)))
    survives(PLAN[:start] + data.draw(_LINE) + PLAN[end:], LAB)


_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["1 s", "3 %", "1 GiB", "one"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
).filter(
    lambda value: not any(foreign in repr(value) for foreign in FOREIGN)
)  # Hypothesis draws on words of the source


@settings(max_examples=120, deadline=None)
@given(st.data(), _VALUES)
def test_a_good_file_with_any_value_at_any_place(data: st.DataObject, value: object) -> None:
    """Each place of the plan and of the lab in turn gets a value of any kind."""
    texts = [PLAN, LAB]
    which = data.draw(st.integers(0, 1))
    tree = yaml.safe_load(texts[which])
    node, step = data.draw(st.sampled_from(list(_places(tree))))
    node[step] = value
    texts[which] = yaml.safe_dump(tree, allow_unicode=True)
    survives(texts[0], texts[1])


def _places(node: object) -> list[tuple[object, object]]:
    steps = list(node) if isinstance(node, dict) else list(range(len(node))) if isinstance(node, list) else []
    return [(node, step) for step in steps] + [place for step in steps for place in _places(node[step])]  # type: ignore[index]
