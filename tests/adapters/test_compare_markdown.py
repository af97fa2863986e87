"""Runs set against each other as Markdown, read back by a parser of CommonMark with tables (markdown-it-py)."""

from __future__ import annotations

from comparison_values import BASE, EQUAL, MICROCODE, NEW, OPEN, SLOWER, change, compared
from markdown_it import MarkdownIt
from markdown_it.token import Token

from orchestrator.adapters.report.compare_markdown import comparison_markdown, comparisons_markdown

HOSTILE = "a|b <b>x</b> *y* _z_ `c` [l](u) #6 &lt; ~~s~~ $k$ \\ !"


def parsed(text: str) -> list[Token]:
    return MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"]).parse(text)


def texts(tokens: list[Token], opened: str) -> list[str]:
    """What is written in every element of a kind."""
    told = []
    for place, token in enumerate(tokens):
        if token.type == opened:
            inline = next(later for later in tokens[place:] if later.type == "inline")
            told.append(
                "".join(part.content for part in inline.children or () if part.type in {"text", "text_special"})
            )
    return told


def test_a_tracker_sees_a_table_with_a_row_a_cell() -> None:
    tokens = parsed(comparison_markdown(compared(SLOWER, EQUAL, OPEN)))
    assert texts(tokens, "heading_open") == [f"Run {NEW} against {BASE}"]
    assert texts(tokens, "th_open") == [
        "cell",
        "verdict",
        "trials",
        "base",
        "new",
        "change",
        "interval",
        "per CPU s",
    ]
    cells = texts(tokens, "td_open")
    assert len(cells) == 3 * 8
    assert cells[8:16] == [
        "two-bookings-t2",
        "slower",
        "5 and 5",
        "812.3",
        "774.1",
        "\N{MINUS SIGN}4.7 %",
        "\N{MINUS SIGN}6.1 to \N{MINUS SIGN}3.3 %",
        "\N{MINUS SIGN}4.9 %",
    ]


def test_all_that_the_terminal_tells_is_there() -> None:
    text = comparison_markdown(compared(SLOWER, EQUAL, OPEN))
    for part in (
        "**All cells together**",
        "**Undecided**",
        "**What else is not the same**",
        "- host: microcode 0xb000041, 0xb000040 in the base",
        "- In the base, eight-bookings-t8: ",
        "**Remarks**",
    ):
        assert part in text


def test_what_a_plan_or_a_guest_said_stays_text() -> None:
    difference = MICROCODE.model_copy(update={"sentence": HOSTILE})
    found = compared(
        change(cell=HOSTILE, remarks=(HOSTILE,)),
        answer=HOSTILE,
        remarks=("- no list", "1. nor this", "# nor a heading\n\nor two"),
        surroundings=(difference,),
    )
    tokens = parsed(comparison_markdown(found))
    assert texts(tokens, "td_open")[0] == HOSTILE
    assert HOSTILE in texts(tokens, "paragraph_open")
    inline = {child.type for token in tokens for child in token.children or ()}
    assert inline <= {"text", "text_special", "strong_open", "strong_close"}
    assert "html_block" not in {token.type for token in tokens}
    assert [token.tag for token in tokens if token.type == "heading_open"] == ["h3"]
    assert "ordered_list_open" not in {token.type for token in tokens}
    assert "- no list" in texts(tokens, "list_item_open")


def test_several_new_runs_are_pages_below_each_other_with_a_last_word() -> None:
    tokens = parsed(comparisons_markdown([compared(), compared(new="20261204-again")]))
    assert len(texts(tokens, "heading_open")) == 3
    assert texts(tokens, "heading_open")[-1] == "In short"
