"""Reports opened from disk: nothing is asked of anybody, charts show what is stored, figures are those of `show`."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest
from page_parts import marks, open_all, tables, wait_until_drawn, x_axis

if TYPE_CHECKING:
    from conftest import Visits
    from report_runs import Library

KINDS = ("night", "comparison", "history", "cut off")


def runs_of(library: Library, kind: str) -> tuple[str, ...]:
    """What a report of a kind is about."""
    return {
        "night": lambda: (library.night,),
        "comparison": lambda: (library.night, library.slower),
        "history": lambda: library.nights,
        "cut off": lambda: (library.cut_off,),
    }[kind]()


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_is_drawn_whole_without_a_word_of_complaint_or_a_request(
    kind: str, library: Library, visits: Visits
) -> None:
    page = visits.open(library.report(*runs_of(library, kind)))
    open_all(page)
    policy = page.get_attribute('meta[http-equiv="Content-Security-Policy"]', "content") or ""
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    assert page.locator("h1").count() == 1


def test_throughput_shows_every_cell_and_every_trial_that_counts(library: Library, visits: Visits) -> None:
    shown = library.shown(library.night)
    page = visits.open(library.report(library.night))
    wait_until_drawn(page, "#throughput")
    said = marks(page, "throughput-bookings")
    trials = Counter(int(found[1]) for text in said if (found := re.match(r"trial (\d+)\b", text)))
    assert sorted(trials) == [trial["number"] for trial in shown["trials"] if trial["outcome"] == "measured"]
    assert set(trials.values()) == {1}


def test_figures_of_cells_are_those_of_show(library: Library, visits: Visits) -> None:
    verdict = library.shown(library.night)["verdict"]
    page = visits.open(library.report(library.night))
    open_all(page)
    (table,) = [one for one in tables(page, "#throughput") if "choice" in one.columns]
    cells = verdict["cells"]
    assert table.column("shape") == [cell["shape"] for cell in cells]
    for column, field in (
        ("threads", "threads"),
        ("trials", "trials"),
        ("throughput", "throughput_per_s"),
        ("from", "low"),
        ("to", "high"),
    ):
        assert table.column(column) == pytest.approx([cell[field] for cell in cells], rel=1e-12), column
    for share in ("run", "wait", "idle"):
        assert table.column(share) == pytest.approx([cell[share] * 100 for cell in cells], abs=1e-9), share
    chosen = {(one["shape"], one["threads"]) for one in verdict["recommendations"]}
    marked = [word == "recommended" for word in table.column("choice")]
    assert marked == [(cell["shape"], cell["threads"]) in chosen for cell in cells]


def test_figures_of_trials_are_those_of_show(library: Library, visits: Visits) -> None:
    trials = library.shown(library.night)["trials"]
    page = visits.open(library.report(library.night))
    table = next(one for one in tables(page, "#trials") if one.columns[0] == "number")
    assert table.column("number") == [trial["number"] for trial in trials]
    for column, *path in (("throughput", "throughput", "mean"), ("steady from", "window", "start_s")):
        for drawn, trial in zip(table.column(column), trials, strict=True):
            stored = trial["summary"][path[0]]
            assert drawn == ("none" if stored is None else pytest.approx(stored[path[1]], rel=1e-12)), (
                column,
                trial["id"],
            )


def test_figures_of_a_comparison_are_those_of_compare(library: Library, visits: Visits) -> None:
    compared = library.compared(library.night, library.slower)
    page = visits.open(library.report(library.night, library.slower))
    open_all(page)
    on_page = [value for table in tables(page, "main") for row in table.rows for value in _values(row)]
    for change in compared["comparisons"][0]["changes"]:
        for field in ("ratio", "low", "high"):
            percent = (change[field] - 1) * 100
            assert any(value == pytest.approx(percent, abs=1e-9) for value in on_page), (change, field)


def _values(row: tuple[dict[str, Any], ...]) -> list[float]:
    return [cell["value"] for cell in row if cell["value"] is not None]


def test_the_warm_up_is_shaded_up_to_the_stored_time(library: Library, visits: Visits) -> None:
    """Read off the axis as a person does, by the figures at its ticks."""
    page = visits.open(library.report(library.night))
    open_all(page)
    steady = [trial for trial in library.shown(library.night)["trials"] if trial["outcome"] == "measured"]
    assert len(steady) > 6
    for trial in steady:
        axis = x_axis(page, f"trial-{trial['number']}")
        shade = page.locator(f'#chart-trial-{trial["number"]} [aria-label^="warm-up" i]').first.bounding_box()
        assert shade is not None
        assert shade["x"] == pytest.approx(axis.px(0.0), abs=1.0)
        assert shade["x"] + shade["width"] == pytest.approx(axis.px(trial["summary"]["window"]["start_s"]), abs=1.0)


def test_a_series_is_drawn_with_all_its_readings_where_they_are_few(library: Library, visits: Visits) -> None:
    """What a chart holds is in the page as data: of a short series every reading, as `show` has it."""
    rates = library.trial(library.night, 3)["rates"]
    page = visits.open(library.report(library.night))
    chart = page.evaluate(
        "JSON.parse(document.getElementById('charts').textContent).charts.find((one) => one.id === 'trial-3')"
    )
    fields = dict(zip(chart["data"]["rates"]["fields"], chart["data"]["rates"]["columns"], strict=True))
    drawn = [(t, v) for t, v in zip(fields["t"], fields["v"], strict=True) if v is not None]
    stored = dict(zip((round(t, 3) for t in rates["time_s"]), rates["rate"], strict=True))
    assert len(drawn) == len(stored)
    for t, v in drawn:
        assert v == pytest.approx(stored[round(t, 3)], rel=1e-3)


def test_the_deepest_dip_of_a_long_series_is_drawn(library: Library, visits: Visits) -> None:
    """Six hundred readings are thinned for the screen; the one second at which throughput fell is still there."""
    rates = library.trial(library.hundred, 7)["rates"]
    lowest, at = min(zip(rates["rate"], rates["time_s"], strict=True))
    page = visits.open(library.report(library.hundred), anchor="#trial-7")
    wait_until_drawn(page, "#trial-7")
    chart = page.evaluate(
        "JSON.parse(document.getElementById('charts').textContent).charts.find((one) => one.id === 'trial-7')"
    )
    fields = dict(zip(chart["data"]["rates"]["fields"], chart["data"]["rates"]["columns"], strict=True))
    found = min((v, t) for t, v in zip(fields["t"], fields["v"], strict=True) if v is not None)
    assert found == (pytest.approx(lowest, rel=1e-3), pytest.approx(at, abs=1e-2))


def test_a_history_has_every_run(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(*library.nights))
    open_all(page)
    text = page.inner_text("main")
    for run in library.nights:
        assert run[:16] in text


def test_a_link_to_a_trial_opens_it(library: Library, visits: Visits) -> None:
    page = visits.open(library.report(library.night), anchor="#trial-7")
    wait_until_drawn(page, "#trial-7")
    assert page.locator("details.part[open]").count() == 1
    box = page.locator("#trial-7").bounding_box()
    assert box is not None
    assert 0 <= box["y"] < 900, "it is in sight"


def test_a_copied_table_is_text_between_tabs_with_unrounded_figures(library: Library, visits: Visits) -> None:
    cells = library.shown(library.night)["verdict"]["cells"]
    page = visits.open(library.report(library.night), permissions=["clipboard-read", "clipboard-write"])
    table = page.locator("#throughput table").filter(has_text="choice").first
    page.locator(f'[data-copies="{table.get_attribute("id")}"]').click()
    page.get_by_text("Copied", exact=True).first.wait_for()
    lines = [line.split("\t") for line in page.evaluate("navigator.clipboard.readText()").splitlines()]
    assert {len(line) for line in lines} == {len(lines[0])}
    place = next(at for at, name in enumerate(lines[0]) if name.startswith("throughput"))
    assert [float(line[place]) for line in lines[1:]] == pytest.approx([cell["throughput_per_s"] for cell in cells])
    page.evaluate("document.activeElement.blur()")
