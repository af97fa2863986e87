"""The page of a report: what it says, in which order, and that it asks nobody for anything."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import pairwise

import pytest
from page_documents import Element, bars_chart, ferry_document, read

from orchestrator.adapters.report.document.parts import Paragraph, Section
from orchestrator.adapters.report.page.html import body, chart_data, chart_json, report_page

_REFERENCES = ("aria-labelledby", "aria-describedby", "for", "data-copies", "data-opens", "data-finds")


@pytest.fixture(scope="module")
def page() -> str:
    return report_page(ferry_document())


@pytest.fixture(scope="module")
def root(page: str) -> Element:
    return read(page)


def test_the_page_is_well_formed_and_says_its_language(root: Element) -> None:
    (html,) = root.all("html")
    assert html.attributes["lang"] == "en-GB"
    assert [child.tag for child in html.children] == ["head", "body"]
    assert [title.text for title in root.all("title")] == ["How many vCPUs does the bookings database need?"]


def test_ids_are_unique_and_every_reference_leads_somewhere(root: Element) -> None:
    ids = [element.attributes["id"] for element in root.within() if "id" in element.attributes]
    assert len(ids) == len(set(ids))
    for element in root.within():
        named = [element.attributes[name] or "" for name in _REFERENCES if name in element.attributes]
        link = element.attributes.get("href") or ""
        for id_ in [*" ".join(named).split(), *([link[1:]] if link.startswith("#") else [])]:
            assert id_ in ids, f"{element.tag} refers to {id_}"


def test_nothing_in_the_page_makes_a_browser_ask_for_anything(root: Element) -> None:
    for element in root.within():
        assert "src" not in element.attributes, element.tag
        assert "srcset" not in element.attributes, element.tag
        assert (element.attributes.get("href") or "#").startswith(("#", "data:,")), element.attributes
        assert element.tag not in {"iframe", "object", "embed", "img", "form", "base"}
    (style,) = root.all("style")
    assert "url(" not in style.text
    assert "@import" not in style.text


def test_no_style_or_handler_stands_in_an_attribute(root: Element) -> None:
    # W3C, CSP Level 3, 6.7.3: a policy of digests allows neither.
    for element in root.within():
        assert not [name for name in element.attributes if name == "style" or name.startswith("on")], element.attributes


def test_warnings_come_before_the_answer_and_the_answer_before_all_else(root: Element) -> None:
    (main,) = root.all("main")
    text = main.text
    said = [
        "How many vCPUs",
        "Run of night.yaml",
        "was not put back",
        "One vCPU is enough",
        "Shown at 95\N{NO-BREAK SPACE}%",
        "A row is a",
    ]
    assert [text.index(words) for words in said] == sorted(text.index(words) for words in said)


def test_the_mark_stands_before_the_answer(root: Element) -> None:
    (answer,) = [one for one in root.all("p") if one.attributes.get("class") == "answer"]
    assert answer.children[0].attributes["class"] == "sign good"
    (certainty,) = [one for one in root.all("p") if one.attributes.get("class") == "certainty"]
    assert not certainty.children


def test_no_line_ends_between_a_figure_and_its_unit() -> None:
    said = "12.5 % of 2 vCPUs within 40 ms ± 3 s; 3 shapes, 4 GiB <b>"
    shown = str(body(replace(ferry_document(), answer=said)))
    assert "12.5&nbsp;% of 2&nbsp;vCPUs within 40&nbsp;ms ±&nbsp;3&nbsp;s; 3 shapes, 4&nbsp;GiB &lt;b&gt;" in shown


def test_no_line_ends_within_a_date_or_a_short_name_with_hyphens() -> None:
    said = "From 2026-08-06 on, two-bookings-t4; option --max-a-b-c, tri-1/SEED, well-known, " + "long-" * 9 + "name"
    document = replace(ferry_document(), answer=said)
    shown = body(document)
    assert shown.count('class="unbroken"') == 2
    assert 'From <span class="unbroken">2026-08-06</span> on, <span class="unbroken">two-bookings-t4</span>;' in shown


def test_long_texts_in_tables_may_wrap_and_short_ones_do_not() -> None:
    root = read(str(body(ferry_document(said=" and a text that is longer than a line of it has room for"))))
    cells = [one for one in root.within() if one.tag in {"td", "th"} and one.attributes.get("scope") != "col"]
    long = [one for one in cells if one.attributes.get("class") == "long"]
    assert long
    assert all((len(one.text) > 30) == (one in long) for one in cells)


def test_headings_go_down_one_rank_at_a_time(root: Element) -> None:
    ranks = [int(element.tag[1]) for element in root.within() if re.fullmatch("h[1-6]", element.tag)]
    assert ranks[0] == 1
    assert ranks.count(1) == 1
    assert all(below <= above + 1 for above, below in pairwise(ranks))


def test_a_served_page_may_begin_at_a_lower_rank() -> None:
    part = read(str(body(ferry_document(), headings_from=2)))
    assert not part.all("h1")
    assert [heading.text for heading in part.all("h2")] == ["How many vCPUs does the bookings database need?"]
    assert "Throughput" in [heading.text for heading in part.all("h3")]


def test_every_heading_of_a_table_has_a_scope_and_every_figure_its_value(root: Element) -> None:
    for table in root.all("table"):
        assert all(cell.attributes.get("scope") in {"col", "row"} for cell in table.all("th"))
        for row in table.all("tbody")[0].all("tr"):
            assert row.children[0].attributes["scope"] == "row"
    cells = root.all("table")[0].all("td")
    assert [(cell.text, cell.attributes.get("data-value")) for cell in cells] == [
        ("95.3", "95.31250000000001"),
        ("?", None),
        ("79", "79"),
        ("none", None),
    ]


def test_a_row_that_stands_out_is_marked(root: Element) -> None:
    rows = root.all("table")[0].all("tbody")[0].all("tr")
    assert [row.attributes.get("class") for row in rows] == ["marked", None]


def test_what_scrolls_can_be_reached_by_key_and_has_a_name(root: Element) -> None:
    scrolling = [element for element in root.within() if "scrolls" in (element.attributes.get("class") or "").split()]
    assert scrolling
    for element in scrolling:
        assert element.attributes["tabindex"] == "0"
        assert element.attributes["role"] == "region"
        assert "aria-labelledby" in element.attributes


def test_room_for_a_chart_is_kept_before_it_is_drawn(root: Element) -> None:
    heights = {
        plot.attributes["data-chart"]: plot.children[0].attributes["height"] for plot in root.all("div", class_="plot")
    }
    assert heights == {"throughput-bookings": "300", "time-bookings": "300", "trial-1": "264", "trial-2": "264"}


def test_a_chart_is_told_in_words_and_figures_too(root: Element) -> None:
    (figure,) = root.all("figure", id="chart-throughput-bookings")
    assert "one gives 95.3 a second." in figure.text
    assert figure.all("table")


def test_a_mark_is_told_in_words_beside_its_sign(root: Element) -> None:
    (summary,) = root.all("details", id="trial-1")[0].all("summary")[:1]
    assert "in doubt: Trial 1" in summary.text
    checks = root.all("ul", class_="checks")[0]
    assert [word.text for word in checks.all("span", class_="word")] == ["in order", "not in order"]


def test_a_folded_section_can_be_opened_without_a_script(root: Element) -> None:
    for trial in ("trial-1", "trial-2"):
        (details,) = root.all("details", id=trial)
        assert "open" not in details.attributes
        assert details.children[0].tag == "summary"


def test_text_as_it_was_given_keeps_its_lines(root: Element) -> None:
    (plan,) = root.all("pre", id="plan-1")
    assert plan.text == "title: night\nguest: bookings-1"


def test_the_same_document_gives_the_same_bytes(page: str) -> None:
    assert report_page(ferry_document()) == page


def test_charts_of_a_template_share_one_specification() -> None:
    data = chart_data(ferry_document(trials=3))
    assert sorted(data["specs"]) == ["throughput-bookings", "time-bookings", "trial"]
    assert [chart["spec"] for chart in data["charts"]][2:] == ["trial"] * 3


def test_rows_of_a_chart_keep_every_figure() -> None:
    document = ferry_document(trials=1, points=50)
    *_, chart = document.charts()
    packed = chart_data(document)["charts"][-1]["data"]["rates"]
    rows = [dict(zip(packed["fields"], values, strict=True)) for values in zip(*packed["columns"], strict=True)]
    assert rows == chart.data["rates"]


def test_a_row_without_a_field_leaves_it_open() -> None:
    chart = replace(bars_chart(), data={"gaps": [{"from_s": 1.5}, {"to_s": 2.5}]})
    document = replace(ferry_document(), sections=(Section("one", "One", (chart,)),))
    packed = chart_data(document)["charts"][0]["data"]["gaps"]
    assert packed == {"fields": ["from_s", "to_s"], "columns": [[1.5, None], [None, 2.5]]}


def test_a_figure_that_json_cannot_hold_is_refused() -> None:
    # RFC 8259, 6: "Numeric values that cannot be represented (such as Infinity and NaN) are not permitted."
    chart = replace(bars_chart(), data={"rates": [{"per_s": float("nan")}]})
    document = replace(ferry_document(), sections=(Section("one", "One", (chart,)),))
    with pytest.raises(ValueError, match="JSON"):
        chart_json(document)


def test_sections_may_be_nested_as_deep_as_they_are() -> None:
    deepest = Section("s8", "Deepest", (Paragraph("far down"),))
    for depth in range(7, 0, -1):
        deepest = Section(f"s{depth}", f"Depth {depth}", parts=(deepest,), folded=depth % 2 == 0)
    part = read(str(body(replace(ferry_document(), sections=(deepest,)))))
    assert "far down" in part.text
    assert len(part.all("h6")) >= 2  # WHATWG HTML, 4.3.6: there is no rank below


def test_a_report_of_a_hundred_trials_stays_below_six_megabytes() -> None:
    page = report_page(ferry_document(trials=100, points=800))
    assert len(page.encode()) < 6_000_000
    assert len(json.loads(chart_json(ferry_document(trials=100)))["charts"]) == 102
