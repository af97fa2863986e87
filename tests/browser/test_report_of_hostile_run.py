"""A run whose every text wants to be something else than text: it is read, and does nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import hostile_run
from page_parts import open_all

if TYPE_CHECKING:
    from conftest import Visits
    from playwright.sync_api import Page
    from report_runs import Library

#: Characters that steer or reorder what is shown; a page has none of them but line ends and tabs.
STEERING = r"""() => /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u200b-\u200f\u202a-\u202e\u2060-\u2069]/
  .exec(document.querySelector("main").outerHTML + document.title)?.index ?? -1"""
ELEMENTS = "() => [...new Set([...document.querySelectorAll('*')].map((one) => one.tagName.toLowerCase()))].sort()"


def inert(page: Page, harmless: Page) -> None:
    """Nothing ran, nothing became an element or a link, nothing steers; all of it is there as text."""
    assert page.evaluate("window.owned") is None
    assert page.evaluate(STEERING) == -1
    assert set(page.evaluate(ELEMENTS)) <= set(harmless.evaluate(ELEMENTS))
    assert page.locator("script").count() == harmless.locator("script").count()
    links = page.eval_on_selector_all("[href], [src], [action]", "(all) => all.map((one) => one.outerHTML)")
    assert [link for link in links if "javascript:" in link or "attacker" in link] == []
    names = page.evaluate("[...document.querySelectorAll('*')].flatMap((one) => one.getAttributeNames())")
    assert [name for name in names if name.startswith("on")] == []


def test_it_does_nothing_and_can_be_read(library: Library, visits: Visits) -> None:
    page, harmless = (visits.open(library.report(run)) for run in (library.hostile, library.night))
    for one in (page, harmless):
        open_all(one)
    inert(page, harmless)
    text = page.inner_text("main")
    for shown in (hostile_run.SCRIPT, hostile_run.IMAGE, hostile_run.LINK, hostile_run.TEMPLATE):
        assert shown in text
    assert "\\x1b]0;owned" in text
    assert "\\u202egnp.exe" in text
    assert page.title().startswith("</script><script>")


def test_names_of_ten_thousand_characters_do_not_widen_the_page(library: Library, visits: Visits) -> None:
    for width in (390, 1280):
        page = visits.open(library.report(library.hostile), viewport={"width": width, "height": 900})
        open_all(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_what_the_pointer_is_told_is_text_too(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.hostile))
    open_all(page)
    for mark in page.locator('[role="graphics-symbol"]').all()[:40]:
        if mark.is_visible():
            mark.dispatch_event("pointermove")
            mark.dispatch_event("mouseover")
    assert page.evaluate("window.owned") is None
    assert page.locator("img").count() == 0
