"""Reports for whoever has no mouse, does not see well, reads in the dark, on paper, on a telephone, without scripts."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from page_parts import contrast, open_all, read_through, wait_until_drawn
from readiness import NOTE

if TYPE_CHECKING:
    from conftest import Visits
    from playwright.sync_api import Page
    from report_runs import Library

#: https://www.w3.org/TR/WCAG21/#contrast-minimum for text that is not large.
LEAST_CONTRAST = 4.5
#: Far more than a reader has keys to press; who is still on the way then is trapped.
MOST_STEPS = 400
#: Opens what is folded; of trials the first only, since all are alike and axe-core looks at every mark.
ALL_BUT_ALIKE = """() => {
  for (const one of document.querySelectorAll('details')) one.open = !/(^|-)trial-(?!1$)/.test(one.id);
}"""
WHERE = """() => {
  const one = document.activeElement;
  const part = one.closest('section, nav, details, figure');
  return {name: one.tagName.toLowerCase(), text: (one.innerText ?? '').trim().slice(0, 60), kind: one.className,
          href: one.getAttribute('href') ?? '', part: part?.id ?? '', seen: one.matches(':focus-visible')};
}"""


def runs_of(library: Library, kind: str) -> tuple[str, ...]:
    found = {"night": (library.night,), "comparison": (library.night, library.slower), "history": library.nights}
    return found[kind]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("kind", ["night", "comparison", "history"])
def test_axe_finds_nothing_serious(
    kind: str, scheme: str, library: Library, visits: Visits, axe: Callable[[Page], list[str]]
) -> None:
    page = visits.open(library.report(*runs_of(library, kind)), color_scheme=scheme)
    page.evaluate(ALL_BUT_ALIKE)
    read_through(page)
    assert axe(page) == []


def test_the_tab_key_walks_through_the_whole_page_in_its_order(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night))
    wait_until_drawn(page, "#throughput")
    steps = []
    for _ in range(MOST_STEPS):
        page.keyboard.press("Tab")
        step = page.evaluate(WHERE)
        if step["name"] == "body":
            break
        steps.append(step)
    assert len(steps) < MOST_STEPS, "the last one is left by the next Tab, to the browser itself"
    assert all(step["seen"] for step in steps), "where the reader stands is to be seen"
    assert steps[0]["href"] == "#content"
    contents = [step["href"] for step in steps if step["name"] == "a"][1:]
    assert "#throughput" in contents
    assert "#trials" in contents
    firsts = [next(at for at, step in enumerate(steps) if wanted(step)) for wanted in (
        lambda step: step["href"] == "#content",
        lambda step: step["href"] == "#throughput",
        lambda step: step["part"].startswith("chart-throughput"),
        lambda step: step["name"] == "summary" and "Trial 1:" in step["text"],
        lambda step: step["name"] == "summary" and "Trial 18:" in step["text"],
    )]  # fmt: skip
    assert firsts == sorted(firsts)


def test_the_skip_link_is_seen_once_it_is_reached_and_leads_to_the_answer(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night))
    page.keyboard.press("Tab")
    box = page.locator("a.skip").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    assert box["y"] >= 0
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.getElementById('content').contains(document.activeElement)")


def test_enter_opens_and_closes_a_trial(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night))
    part = page.locator("details#trial-2")
    part.locator("summary").first.focus()
    page.keyboard.press("Enter")
    wait_until_drawn(page, "#trial-2")
    assert part.get_attribute("open") is not None
    page.keyboard.press("Enter")
    assert part.get_attribute("open") is None


def test_arrow_keys_walk_the_marks_of_a_chart_and_say_each(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night))
    wait_until_drawn(page, "#throughput")
    page.locator("#chart-throughput-bookings .plot").focus()
    told = []
    for _ in range(6):
        page.keyboard.press("ArrowRight")
        told.append(page.locator('[role="status"].unseen').last.inner_text())
    assert all(told)
    assert len(set(told)) > 1
    page.keyboard.press("Tab")
    assert not page.evaluate("document.activeElement.classList.contains('plot')"), "nobody is held in a chart"


def test_every_chart_says_in_words_what_is_to_be_seen_in_it(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night))
    open_all(page)
    figures = page.eval_on_selector_all(
        "figure.chart",
        """(all) => all.map((one) => [
          document.getElementById(one.getAttribute('aria-labelledby')).textContent.trim(),
          one.querySelector('.alternative').innerText.trim(),
          one.querySelectorAll('table tbody tr').length,
        ])""",
    )
    assert len(figures) >= 18
    for title, alternative, rows in figures:
        assert title
        assert len(alternative.split()) >= 5
        assert rows > 0, title


def test_dark_is_dark_and_keeps_its_contrast(library: Library, visits: Visits) -> None:
    grounds = {}
    for scheme in ("light", "dark"):
        page = visits.open(library.report(library.night), color_scheme=scheme)
        wait_until_drawn(page, "#throughput")
        grounds[scheme] = page.evaluate("getComputedStyle(document.body).backgroundColor")
        for selector in (".answer", ".about", ".certainty", "figcaption", ".alternative", "table tbody td", ".note"):
            assert contrast(page, selector) >= LEAST_CONTRAST, (scheme, selector)
        ink = page.eval_on_selector("#chart-throughput-bookings svg.marks text", "(one) => getComputedStyle(one).fill")
        assert ink != grounds[scheme]
    assert grounds["light"] != grounds["dark"]


def test_paper_shows_what_is_folded_and_is_light(library: Library, visits: Visits) -> None:
    pypdf = pytest.importorskip("pypdf")
    page = visits.open(library.report(library.night), color_scheme="dark")
    wait_until_drawn(page, "#throughput")
    paper = pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    sheets = [" ".join(sheet.extract_text().split()) for sheet in paper.pages]
    trials = [sum(f"Trial {number}: shape" in sheet for number in range(1, 19)) for sheet in sheets]
    assert sum(trials) == 18, "each folded trial"
    assert sum(sheet.count("warm-up") for sheet in sheets) >= 18, "and its chart"
    assert len([found for found in trials if found]) <= 18 / 2 + 1, "two on a page"
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") in {
        "rgb(255, 255, 255)",
        "rgba(0, 0, 0, 0)",
    }
    page.emulate_media(media="screen")
    assert page.locator("details.part[open]").count() == 0, "it is folded again afterwards"


@pytest.mark.parametrize("kind", ["night", "comparison", "history"])
def test_a_screen_of_390_pixels_is_wide_enough(kind: str, library: Library, visits: Visits) -> None:
    page = visits.open(library.report(*runs_of(library, kind)), viewport={"width": 390, "height": 844})
    open_all(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for box in page.eval_on_selector_all("svg.marks", "(all) => all.map((one) => one.getBoundingClientRect().right)"):
        assert box <= 390


def test_charts_follow_the_window(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night))
    wait_until_drawn(page, "#throughput")
    page.set_viewport_size({"width": 600, "height": 900})
    page.wait_for_function("() => document.querySelector('#throughput svg.marks').getBoundingClientRect().right <= 600")
    assert page.evaluate("document.documentElement.scrollWidth") <= 600


def test_nothing_is_moved_while_charts_are_drawn(library: Library, visits: Visits) -> None:
    """Cumulative layout shift of https://wicg.github.io/layout-instability/."""
    page = visits.open(library.report(library.night), script=NOTE)
    wait_until_drawn(page, "#throughput")
    room = "(all) => all.map((one) => [one.id, one.getBoundingClientRect().height])"
    before = page.eval_on_selector_all("figure.chart", room)
    page.keyboard.press("End")
    read_through(page)
    assert page.eval_on_selector_all("figure.chart", room) == before
    assert page.evaluate("window.shifted") == 0


def test_without_scripts_everything_is_there_but_the_drawings(library: Library, visits: Visits) -> None:
    shown = library.shown(library.night)
    page = visits.open(library.report(library.night), java_script_enabled=False)
    text = page.inner_text("main")
    assert shown["run"]["title"] in text
    assert shown["verdict"]["recommendations"][0]["shape"] in page.inner_text(".answer")
    assert page.locator("#throughput table tbody tr").first.is_visible()
    page.locator("details#trial-3 > summary").click()
    assert page.locator("details#trial-3 .checks, details#trial-3 .facts").first.is_visible()
    assert page.locator("#chart-trial-3 .alternative").is_visible()
