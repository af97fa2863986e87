"""The served pages: runs listed, found, compared and followed while they go on; nothing of a run is more than text."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import stored_runs
from page_parts import SYMBOLS, contrast, open_all, tables, wait_until_drawn
from report_runs import said

from orchestrator.adapters.store.folder import FolderStore

if TYPE_CHECKING:
    from conftest import Visits
    from playwright.sync_api import Page
    from report_runs import Library

ADMITS = "a token of Saltmarsh Ferries"
WHERE = """() => {
  const one = document.activeElement;
  return [one.tagName, one.getAttribute('href') ?? one.getAttribute('name') ?? ''];
}"""
REPORT_BEGINS = "Math.round(document.getElementById('report').getBoundingClientRect().top + scrollY)"
BELOW_THE_BAR = """() => {
  const [one, bar] = [document.activeElement, document.querySelector('.ticked')];
  return !bar.contains(one) && one.getBoundingClientRect().bottom > bar.getBoundingClientRect().top;
}"""
PACKAGE = Path(__file__).parents[2]


@contextmanager
def serving(store: Path, **environment: str) -> Iterator[str]:
    """Address of a server on a store, in a process of its own."""
    search = {"PYTHONPATH": f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}"}
    process = subprocess.Popen(
        [sys.executable, "-m", "orchestrator", "serve", str(store), "--port", "0"],
        env=os.environ | search | environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        first = process.stdout.readline().split()
        assert first, process.communicate()
        yield first[-1].rstrip("/")
    finally:
        process.terminate()
        output, errors = process.communicate(timeout=60)
    said_last = errors.strip().partition(";")[0]  # and perhaps that something is left undone
    assert (process.returncode, said_last) == (130, "trialbed: interrupted"), output


@pytest.fixture(scope="module")
def server(library: Library) -> Iterator[str]:
    """All runs of the library, served."""
    _ = library.night, library.slower, library.nights, library.hostile, library.cut_off
    with serving(library.store) as address:
        yield address


def rows(page: Page) -> list[str]:
    """Ids of the runs in the list."""
    ids: list[str] = page.eval_on_selector_all("tr[data-run]", "(all) => all.map((row) => row.dataset.run)")
    return ids


def test_the_list_has_every_run_the_newest_first(server: str, library: Library, visits: Visits) -> None:
    page = visits.open(server + "/")
    assert sorted(rows(page)) == sorted(path.name for path in library.store.iterdir() if (path / "run.json").exists())
    assert rows(page)[:2] == [library.slower, library.night]


def test_words_narrow_the_list(server: str, library: Library, visits: Visits) -> None:
    page = visits.open(server + "/")
    page.get_by_role("searchbox").fill("fare crashed")
    page.keyboard.press("Enter")
    page.wait_for_url("**q=fare*")
    assert rows(page) == [library.cut_off]
    page.get_by_role("searchbox").fill("nothing of the kind")
    page.keyboard.press("Enter")
    page.get_by_text("mentions that").wait_for()
    assert rows(page) == []
    assert not page.locator("#compare").is_visible(), "there is nothing to compare"


def test_two_that_are_ticked_are_set_against_each_other(server: str, library: Library, visits: Visits) -> None:
    page = visits.open(server + "/")
    for run in (library.slower, library.night):
        page.locator(f'tr[data-run="{run}"] input[type=checkbox]').check()
    page.locator("#compare").click()
    page.wait_for_url("**/compare*")
    open_all(page)
    on_page = [cell["value"] for table in tables(page, "main") for row in table.rows for cell in row]
    for change in library.compared(library.night, library.slower)["comparisons"][0]["changes"]:
        percent = (change["ratio"] - 1) * 100
        assert any(value == pytest.approx(percent, abs=1e-9) for value in on_page if value is not None)


def ticked(page: Page) -> set[str]:
    """Ids of the runs that are ticked, in the list or below it."""
    return set(page.eval_on_selector_all("input[name=run]:checked", "(all) => all.map((one) => one.value)"))


def test_ticks_stay_when_something_is_looked_for_until_they_are_cleared(
    server: str, library: Library, visits: Visits
) -> None:
    page = visits.open(server + "/")
    for run in (library.night, library.cut_off):
        page.locator(f'tr[data-run="{run}"] input').check()
    page.get_by_role("searchbox").fill("fare crashed")
    page.keyboard.press("Enter")
    page.wait_for_url("**q=fare*")
    assert rows(page) == [library.cut_off]
    assert ticked(page) == {library.night, library.cut_off}
    assert "Two are ticked" in page.inner_text("#compare-hint")
    page.goto(f"{server}/runs/{library.night}")
    page.goto(f"{server}/")
    page.reload()
    assert ticked(page) == {library.night, library.cut_off}
    assert page.locator("#others label").count() == 0, "all that is ticked is in the list"

    page.goto(f"{server}/?q=nothing+of+the+kind")
    page.locator("#others input").first.focus()
    page.keyboard.press("Space")  # taken back by itself
    assert len(ticked(page)) == 1
    assert page.locator("#compare").is_disabled()
    assert page.evaluate(WHERE)[0] == "BUTTON", "who walks by keys is not sent to the top"
    page.keyboard.press("Enter")
    assert ticked(page) == set()
    assert not page.locator("#clear").is_visible()
    assert page.evaluate("document.activeElement.id") == "words", "nothing is left to be compared, so not the bar"
    page.goto(f"{server}/")
    assert ticked(page) == set()
    assert page.inner_text("#compare-hint").startswith("Tick two runs")


def test_one_is_set_against_a_baseline_and_more_are_followed(server: str, library: Library, visits: Visits) -> None:
    said("baseline", "set", "before-upgrade", library.night, "--store", str(library.store))
    try:
        page = visits.open(server + "/")
        page.locator(f'tr[data-run="{library.slower}"] input').check()
        assert page.locator("#compare").is_disabled()
        page.get_by_label("against").select_option("before-upgrade")
        page.locator("#compare").click()
        page.wait_for_url("**/compare*against=before-upgrade*")
        assert "before-upgrade" in page.inner_text("main")
        page.goto(f"{server}/baselines")
        page.get_by_role("link", name="Set the newest run against it").click()
        page.wait_for_url(f"**/compare?run={library.slower}&against=before-upgrade")
    finally:
        said("baseline", "remove", "before-upgrade", "--store", str(library.store))
    page.goto(f"{server}/")
    for run in library.nights[:2]:
        page.locator(f'tr[data-run="{run}"] input').check()
    assert "3 are ticked" in page.inner_text("#compare-hint")
    page.locator("#compare").click()
    page.wait_for_url("**/compare*")
    assert page.locator("main h1").count() == 1


def test_a_page_says_that_its_run_is_gone(tmp_path: Path, visits: Visits) -> None:
    store = FolderStore(tmp_path / "results")
    writer = store.create(stored_runs.run_record(), stored_runs.INPUTS)
    writer.append(stored_runs.event("run-started"))
    visits.expected += ["status of 404", "ERR_ABORTED"]
    with serving(tmp_path / "results") as address:
        page = visits.open(f"{address}/runs/{writer.id}")
        page.locator("#going-on").wait_for()
        writer.let_go()
        (tmp_path / "results" / writer.id).rename(tmp_path / "elsewhere")
        page.locator("#lost", has_text="This run is not in the store any more.").wait_for()


def test_a_run_is_shown_as_in_its_report(server: str, library: Library, visits: Visits) -> None:
    served, report = visits.open(f"{server}/runs/{library.night}"), visits.open(library.report(library.night))
    for page in (served, report):
        open_all(page)
    for among in ("#throughput", "#trials"):
        assert tables(served, among) == tables(report, among)
    for chart in ("throughput-bookings", "trial-1"):
        assert (
            served.locator(f"#chart-{chart} {SYMBOLS}").count() == report.locator(f"#chart-{chart} {SYMBOLS}").count()
        )


def test_the_bundle_of_a_run_is_an_archive_of_it(server: str, library: Library, visits: Visits, tmp_path: Path) -> None:
    page = visits.open(f"{server}/runs/{library.night}")
    with page.expect_download() as awaited:
        page.locator('a[href$="bundle.zip"]').click()
    path = tmp_path / awaited.value.suggested_filename
    awaited.value.save_as(path)
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
    assert any(name.endswith("bagit.txt") for name in names)
    assert any(name.endswith("/run.json") for name in names)


def test_a_page_gains_a_trial_while_its_run_goes_on(tmp_path: Path, visits: Visits) -> None:
    store = FolderStore(tmp_path)
    writer = store.create(stored_runs.run_record(), stored_runs.INPUTS)
    writer.keep_before("bookings-1", stored_runs.SAVED)
    writer.append(stored_runs.event("run-started"))
    writer.append(stored_runs.event("guest-saved"))
    writer.append(stored_runs.event("trial-started", stored_runs.FIRST))
    visits.expected.append("ERR_CONNECTION_REFUSED")  # the list looks for its server when that has ended
    with serving(tmp_path) as address:
        listed, page = visits.open(address + "/"), visits.open(f"{address}/runs/{writer.id}")
        assert page.locator("#going-on").is_visible()
        assert page.locator("details[id^=trial-]").count() == 0

        writer.keep_trial(stored_runs.trial_record(), stored_runs.trial_data())
        writer.append(stored_runs.event("trial-ended", stored_runs.FIRST))
        page.locator("details#trial-1").wait_for()
        page.locator("details#trial-1 > summary").click()
        wait_until_drawn(page, "#trial-1")

        writer.append(stored_runs.event("trial-started", stored_runs.SECOND))
        page.locator("#headline", has_text="Trial 2 of 2").wait_for()
        before = page.evaluate(REPORT_BEGINS)
        writer.keep_trial(stored_runs.failed_record(), stored_runs.trial_data(""))
        writer.append(stored_runs.event("trial-ended", stored_runs.SECOND))
        page.locator("details#trial-2").wait_for()
        assert page.locator("details#trial-1[open]").count() == 1, "what a reader opened stays open"
        assert page.locator("#facts dt", has_text="trial").count() == 1, "no trial is in hand, so one fact less is told"
        assert page.evaluate(REPORT_BEGINS) == before, "and what stands below stays where it was"

        writer.append(stored_runs.event("restored"))
        writer.append(stored_runs.event("run-ended"))
        writer.seal()
        listed.locator("tr[data-run] .state", has_text="done").wait_for()
        page.locator("#going-on", has_text="done").or_(page.locator("body:not(:has(#going-on))")).first.wait_for()


def test_whoever_has_no_token_sees_nothing_and_whoever_has_it_comes_in(library: Library, visits: Visits) -> None:
    title = library.shown(library.night)["run"]["title"]
    visits.expected.append("status of 403")
    with serving(library.store, TRIALBED_WEB_TOKEN=ADMITS) as address:
        page = visits.open(f"{address}/runs/{library.night}")
        assert title not in page.content()
        page.get_by_label("Token").fill("another token, of the right length")
        page.keyboard.press("Enter")
        page.get_by_role("alert").wait_for()
        page.get_by_label("Token").fill(ADMITS)
        page.keyboard.press("Enter")
        page.wait_for_url(f"{address}/runs/{library.night}")  # and not the form, which has it as where to go
        assert title in page.inner_text("main")
        (cookie,) = page.context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        assert ADMITS not in cookie["value"]


def test_a_page_whose_token_is_no_longer_known_says_what_to_do(library: Library, visits: Visits) -> None:
    """As after the server has been started anew: its sessions end with it."""
    visits.expected += ["status of 401", "ERR_ABORTED"]
    with serving(library.store, TRIALBED_WEB_TOKEN=ADMITS) as address:
        page = visits.open(f"{address}/")
        page.get_by_label("Token").fill(ADMITS)
        page.keyboard.press("Enter")
        page.locator("table.runs").wait_for()
        page.context.clear_cookies()
        page.evaluate("for (const kind of ['pagehide', 'pageshow']) dispatchEvent(new Event(kind))")
        page.locator("#lost", has_text="The token is asked for again: reload this page.").wait_for()
        page.reload()
        page.get_by_label("Token").wait_for()


def test_texts_of_runs_do_nothing(server: str, library: Library, visits: Visits) -> None:
    for path in ("/", f"/runs/{library.hostile}"):
        page = visits.open(server + path)
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        assert page.evaluate("window.owned") is None
        assert page.locator("main img, main b, main i, main iframe").count() == 0
        assert page.locator('[href^="javascript" i]').count() == 0
        assert "<script>window.owned" in page.inner_text("main")


def test_nothing_can_be_sent_to_it(server: str, library: Library, visits: Visits) -> None:
    """https://www.rfc-editor.org/rfc/rfc9110#name-safe-methods: what is there is got, by links and forms alike."""
    for path in ("/", f"/runs/{library.night}"):
        page = visits.open(server + path)
        methods = page.eval_on_selector_all("form", "(all) => all.map((form) => form.method)")
        assert set(methods) <= {"get"}
        answer = page.context.request.post(server + path)
        assert answer.status == 405


def test_its_policy_allows_nothing_but_its_own(server: str, visits: Visits) -> None:
    page = visits.open(server + "/")
    headers = page.context.request.get(server + "/").headers
    policy = dict(rule.split(maxsplit=1) for rule in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert {source for rule in policy.values() for source in rule.split()} <= {"'none'", "'self'", "data:"}
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


def test_the_list_is_walked_by_keys_alone(server: str, library: Library, visits: Visits) -> None:
    page = visits.open(server + "/")
    seen = []
    for _ in range(60):
        page.keyboard.press("Tab")
        name, what = page.evaluate(WHERE)
        if name == "BODY":
            break
        seen.append((name, what))
    assert seen[0] == ("A", "#content")
    assert ("INPUT", "q") in seen
    assert seen.count(("INPUT", "run")) == len(rows(page))
    page.locator("input[name=run]").first.focus()
    hidden = []
    for _ in range(2 * len(rows(page)) - 2):  # https://www.w3.org/TR/WCAG22/#focus-not-obscured-minimum
        page.keyboard.press("Tab")
        hidden += [page.evaluate(WHERE)] if page.evaluate(BELOW_THE_BAR) else []
    assert hidden == []
    assert ("A", f"/runs/{library.night}") in seen
    page.locator(f'a[href="/runs/{library.night}"]').focus()
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/runs/{library.night}")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_served_pages(
    scheme: str, server: str, library: Library, visits: Visits, axe: Callable[[Page], list[str]]
) -> None:
    for path in ("/", "/history", "/baselines", f"/runs/{library.night}", f"/runs/{library.cut_off}"):
        page = visits.open(server + path, color_scheme=scheme)
        assert axe(page) == [], path
        assert contrast(page, "h1") >= 4.5


def test_a_telephone_is_wide_enough_for_served_pages(server: str, library: Library, visits: Visits) -> None:
    for path in ("/", "/history", f"/runs/{library.night}", f"/runs/{library.hostile}"):
        page = visits.open(server + path, viewport={"width": 390, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
    page = visits.open(server + "/", viewport={"width": 390, "height": 844})
    wider = "(all) => all.filter((one) => one.scrollWidth > one.clientWidth).length"
    assert page.locator("#rows .scrolls").evaluate_all(wider) == 0, "nothing of a run is out of sight"
    box = page.locator("input[name=run]").first.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= 24, "https://www.w3.org/TR/WCAG22/#target-size-minimum"


def test_without_scripts_runs_are_listed_found_and_read(server: str, library: Library, visits: Visits) -> None:
    page = visits.open(server + "/?q=fare", java_script_enabled=False)
    assert library.cut_off in page.content()
    assert library.night not in page.content()
    page.goto(f"{server}/runs/{library.night}")
    assert page.locator("#throughput table").first.is_visible()
