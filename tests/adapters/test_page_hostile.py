"""Text from guests, plans and hosts is text in a page: it runs nothing, ends nothing, hides nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import re

import pytest
from page_documents import ferry_document, read

from orchestrator.adapters.report.page import assets
from orchestrator.adapters.report.page.html import body, chart_json, report_page

_HOSTILE = (
    "<script>alert(1)</script>",
    "</script><img src=x onerror=alert(1)>",
    "<!--<script>",
    "\" onfocus=alert(1) autofocus x='",
    "{{ 7 * 7 }}{% raw %}",
    "javascript:alert(1)",
    "\x1b[31m\x1b]0;owned\x07",
    "\u202egnp.exe\u2066\u200b",
    "\u2028alert(1)\u2029",
    "&lt;b&gt;",
    "\ud800",
    "]]><svg/onload=alert(1)>",
)


@pytest.mark.parametrize("said", _HOSTILE)
def test_hostile_text_adds_no_element_and_no_attribute(said: str) -> None:
    plain, hostile = (read(str(body(ferry_document(text)))) for text in ("", said))
    shape = [
        [
            (element.tag, sorted({*element.attributes} - {"class"})) for element in root.within()
        ]  # of a long text is another
        for root in (plain, hostile)
    ]
    # one folded section tells nothing beside its heading unless there is something to tell
    summary: tuple[str, list[str]] = ("span", [])
    assert [one for one in shape[1] if one != summary] == [one for one in shape[0] if one != summary]


@pytest.mark.parametrize("said", _HOSTILE)
def test_hostile_text_is_shown_with_what_cannot_be_seen_written_out(said: str) -> None:
    shown = body(ferry_document(said))
    assert shown.replace("\n", "").isprintable()
    assert "49" not in read(str(shown)).all("h1")[0].text
    if said.isprintable():
        assert said in read(str(shown)).all("h1")[0].text


@pytest.mark.parametrize("said", _HOSTILE)
def test_hostile_text_in_a_chart_stays_within_its_element(said: str) -> None:
    written = chart_json(ferry_document(said))
    assert not re.search(r"[<>&\u2028\u2029]", written)  # WHATWG HTML, 4.12.1.3: restrictions for contents of script
    assert written.isascii()
    notes = json.loads(written)["charts"][-1]["data"]["rates"]["columns"][2]
    assert notes[0].isprintable()


def test_a_very_long_text_is_cut_and_says_so() -> None:
    shown = read(str(body(ferry_document("x" * 100_000)))).all("h1")[0].text
    assert len(shown) < 5_000
    assert re.search(r"\(\d+ more characters\)", shown)


def test_the_policy_allows_the_page_s_own_scripts_and_style_and_nothing_else() -> None:
    page = report_page(ferry_document("</script><script>alert(1)</script>"))
    root = read(page)
    (meta,) = [one for one in root.all("meta") if one.attributes.get("http-equiv") == "Content-Security-Policy"]
    rules = dict(rule.split(" ", 1) for rule in (meta.attributes["content"] or "").split("; "))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    assert rules["img-src"] == "data:"
    # W3C, CSP Level 3, 6.7.3.3: the digest is of the element's child text content, encoded as UTF-8.
    running = [one for one in root.all("script") if "type" not in one.attributes]
    assert rules["script-src"].split() == [_source(one.text) for one in running]
    assert rules["style-src"].split() == [_source(one.text) for one in root.all("style")]
    assert [one.attributes["type"] for one in root.all("script") if one not in running] == ["application/json"]


def test_the_policy_stands_before_anything_that_it_is_to_judge() -> None:
    page = report_page(ferry_document())
    assert page.index("Content-Security-Policy") < min(page.index("<style"), page.index("<script"), page.index("<link"))


def test_scripts_and_style_cannot_end_their_elements() -> None:
    for text in (assets.script(), assets.library(), assets.stylesheet()):
        assert not re.search("</(script|style)", text, re.IGNORECASE)
        assert "<!--" not in text


def test_the_script_never_makes_markup_or_programs_of_texts() -> None:
    assert '"use strict";' in assets.script()
    for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "Function(", "fetch("):
        assert way not in assets.script()


def _source(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
