"""Reports as Markdown, read by markdown-it-py, which follows CommonMark 0.31 and its test cases."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from export_documents import HOSTILE, document, figures, hostile
from markdown_it import MarkdownIt
from markdown_it.token import Token

from orchestrator.adapters.report.document.parts import (
    Beside,
    Chart,
    Column,
    Document,
    Paragraph,
    Section,
    Table,
    Verbatim,
)
from orchestrator.adapters.report.export.markdown import markdown
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE


def parsed(text: str) -> list[Token]:
    return MarkdownIt("commonmark").enable("table").parse(text)


def inside(tokens: list[Token], opening: str) -> Iterator[str]:
    """The text within each element of a kind, as it is shown."""
    for at, token in enumerate(tokens):
        if token.type == opening:
            yield shown(tokens[at + 1])


def shown(inline: Token) -> str:
    return "".join(child.content for child in inline.children or [])


def kinds(tokens: list[Token]) -> set[str]:
    return {one.type for token in tokens for one in (token, *(token.children or []))}


def test_the_answer_comes_first_and_sections_follow_in_their_order() -> None:
    tokens = parsed(markdown(document()))
    headings = [*inside(tokens, "heading_open")]
    assert headings[0] == "How many vCPUs does the bookings database need?"
    assert headings[1:] == ["Throughput", "Reasons", "Trials", "Trial 1", "Environment", "Plan"]
    paragraphs = [*inside(tokens, "paragraph_open")]
    assert paragraphs[1] == "Take shape two (2 vCPUs) for two threads."
    ranks = [token.tag for token in tokens if token.type == "heading_open"]
    assert ranks == ["h1", "h2", "h2", "h2", "h3", "h2", "h2"]


def test_a_table_has_a_cell_for_each_of_its_own_and_units_in_its_head() -> None:
    one = replace(document(), sections=(Section("t", "T", (figures(),)),))
    tokens = parsed(markdown(one))
    assert [*inside(tokens, "th_open")] == ["cell", "throughput (operations a second)", "wait (%)", "answer"]
    assert [*inside(tokens, "td_open")] == [
        *("one-bookings-t1", "1203.5", "0", ""),
        *("two-bookings-t2", "2406", "?", "recommended"),
    ]
    assert "Means over four blocks." in inside(tokens, "paragraph_open")


def test_a_chart_is_told_in_words_and_figures() -> None:
    text = markdown(document())
    assert "Shape two does 2406 operations a second, shape one 1203." in text
    assert text.count("| one-bookings-t1 | 1203.5 |") == 3


def test_a_mark_is_told_in_words() -> None:
    lists = [*inside(parsed(markdown(document())), "paragraph_open")]
    assert "other load: in doubt; 12 % of the host was busy" in lists
    assert "in doubt, 1203 a second" in lists


def test_no_text_becomes_markup() -> None:
    tokens = parsed(markdown(hostile()))
    assert kinds(tokens).isdisjoint(
        {"html_block", "html_inline", "link_open", "image", "em_open", "code_inline", "code_block", "hr"}
        | {"ordered_list_open", "blockquote_open", "softbreak", "hardbreak", "s_open", "entity"}
    )
    headings = [*inside(tokens, "heading_open")]
    assert headings[1:-1] == [safe(text.strip(), SENTENCE) for text in HOSTILE]
    strong = [one for token in tokens for one in (token.children or []) if one.type == "strong_open"]
    assert len(strong) == 2, "the answer and the title of the chart, which are ours"


def test_a_table_stays_a_table_whatever_is_in_it() -> None:
    one = replace(hostile(), sections=hostile().sections[-1:])
    tokens = parsed(markdown(one))
    cells = [*inside(tokens, "td_open")]
    texts = [safe(text.strip(), SENTENCE) for text in HOSTILE]
    assert cells == [text for text in texts for _ in range(2)] * 3
    assert len([token for token in tokens if token.type == "table_open"]) == 3


def test_bare_addresses_are_not_followed() -> None:
    """GitHub Flavored Markdown, 6.9: what begins with www. or a scheme and // would be a link, without any brackets."""
    text = markdown(replace(document(), sections=(Section("s", HOSTILE[11], (Paragraph(HOSTILE[11]),)),)))
    assert not re.search(r"[a-z]://|www\.", text, re.IGNORECASE)
    assert HOSTILE[11] in inside(parsed(text), "paragraph_open")


def test_verbatim_text_stays_within_its_fence() -> None:
    given = "a:\n\t- `x`\n```\n````html\n<b>\n# no heading\n"
    one = replace(document(), sections=(Section("plan", "Plan", (Verbatim("plan.yaml", given),)),))
    fences = [token for token in parsed(markdown(one)) if token.type == "fence"]
    assert [fence.content for fence in fences] == [given.replace("\t", "        ")]
    assert fences[0].info == "text"


def test_the_same_report_gives_the_same_text() -> None:
    assert markdown(hostile()) == markdown(hostile())


def test_a_report_without_anything_is_a_title_and_an_answer() -> None:
    empty = Document("run", "t", "a", "No trial has ended yet.", "", "open", (), ())
    assert markdown(empty) == "# t\n\na\n\n**No trial has ended yet.**\n"


def test_a_table_that_tells_the_figures_of_a_chart_stands_where_that_stood() -> None:
    cells, shares = (Table(caption, (Column("cell"),), (("one-bookings-t1",),)) for caption in ("Cells", "Shares"))
    told = Chart("throughput", "Throughput", "A point for each trial.", {}, 100, told_below=True)
    beside = Chart("time", "Where the time went", "A bar for each vCPU.", {}, 100, table=shares)
    section = Section("s", "Both", (Beside((told, beside)), cells, Paragraph("More.")))
    text = markdown(replace(document(), sections=(section,)))
    places = [text.index(words) for words in ("\nCells\n", "Where the time went", "\nShares\n", "More.")]
    assert places == sorted(places)
    assert [table.caption for table in section.tables()] == ["Cells", "Shares"]
