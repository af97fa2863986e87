"""What a served store shows: every run, its report, its files; and that looking changes nothing."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest
from library_of_runs import keep_run
from stored_runs import (
    FIRST,
    INPUTS,
    PLAN,
    interrupted_run,
    run_record,
    trial_data,
    trial_record,
    whole_run,
)

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("sse_starlette")

from served_store import Served, served

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke
from orchestrator.core.record.run import PlannedTrial
from orchestrator.wiring import store_library
from orchestrator.wiring.store_library import OneAtATime

BASE, NEW, CUT = "20260801-ferry", "20260803-ferry", "20260805-cut"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("store")
    keep_run(root, 0, [1000, 1010, 990, 1005], id=BASE)
    keep_run(root, 2, [900, 905, 893, 901], id=NEW, title="After the upgrade")
    _, writer = interrupted_run(root, id=CUT, started_utc="2026-08-05T22:00:00.000Z")
    writer.let_go()
    return root


@pytest.fixture(scope="module")
def page(store: Path) -> Iterator[Served]:
    with served(store, store_words=" --store here") as there:
        yield there


def listed(page: Served, words: str = "") -> list[str]:
    """Ids of the rows, from above."""
    text = page.get(f"/?q={words}").text
    return [part.partition('"')[0] for part in text.split('data-run="')[1:]]


def test_all_runs_are_listed_the_newest_first_with_their_state_in_words(page: Served) -> None:
    assert listed(page) == [CUT, NEW, BASE]
    text = page.get("/").text
    assert "3 runs, the newest first" in text
    assert "crashed" in text
    assert "last sign of life" in text


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("upgrade", [NEW]),
        ("UPGRADE+after", [NEW]),  # all words, in any order, upper case or lower
        ("two-bookings-t2", [CUT, NEW, BASE]),
        ("crashed", [CUT]),
        ("20260801", [BASE]),
        ("done+bookings", [NEW, BASE]),
        ("no-such-thing", []),
        ("%20%20", [CUT, NEW, BASE]),
    ],
)
def test_words_find_runs_by_what_is_known_of_them(page: Served, words: str, found: list[str]) -> None:
    assert listed(page, words) == found


def test_an_empty_store_says_how_to_make_a_run(tmp_path: Path) -> None:
    with served(tmp_path / "results") as there:
        assert "trialbed run plans/first.yaml" in there.get("/").text
    assert not (tmp_path / "results").exists()


def test_a_runs_page_is_its_report_with_what_can_be_kept(page: Served) -> None:
    text = page.get(f"/runs/{NEW}").text
    assert "After the upgrade" in text
    assert 'id="going-on"' not in text, "nothing is to be followed"
    for name, kind in (("report.html", "text/html; charset=utf-8"), ("bundle.zip", "application/zip")):
        assert f'href="/runs/{NEW}/{name}"' in text
        answer = page.get(f"/runs/{NEW}/{name}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == kind
        assert answer.headers["content-disposition"] == f'attachment; filename="{NEW}.{name.rpartition(".")[2]}"'
        assert int(answer.headers["content-length"]) == len(answer.content)


def test_the_report_to_keep_is_the_one_that_the_command_makes(page: Served, store: Path, tmp_path: Path) -> None:
    assert invoke(["report", NEW, "--store", str(store), "-o", str(tmp_path / "report.html")]) == 0
    assert page.get(f"/runs/{NEW}/report.html").content == (tmp_path / "report.html").read_bytes()


def test_its_tables_open_as_a_spreadsheet(page: Served) -> None:
    book = openpyxl.load_workbook(io.BytesIO(page.get(f"/runs/{NEW}/tables.xlsx").content))
    assert book.sheetnames


def test_a_bundle_opens_as_the_command_opens_it_and_leaves_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    whole_run(tmp_path / "results", id="ferry-1")
    (scratch := tmp_path / "scratch").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    with served(tmp_path / "results") as there:
        content = there.get("/runs/ferry-1/bundle.zip").content
        assert not list(scratch.iterdir())
    (tmp_path / "ferry-1.zip").write_bytes(content)
    capsys.readouterr()
    assert invoke(["open", str(tmp_path / "ferry-1.zip")]) == 0
    assert "ferry-1" in capsys.readouterr().out


def test_a_bundle_of_a_run_without_an_end_is_refused_with_what_to_do(page: Served) -> None:
    assert f"after trialbed resume {CUT} --store here<" in page.get(f"/runs/{CUT}").text
    answer = page.get(f"/runs/{CUT}/bundle.zip")
    assert answer.status_code == 409
    assert "was cut short and has no end" in answer.text


def test_two_runs_are_compared_the_newer_against_the_older_however_they_are_named(page: Served) -> None:
    by_link = page.get(f"/compare?base={BASE}&new={NEW}")
    assert by_link.status_code == 200
    assert by_link.text == page.get(f"/compare?run={NEW}&run={BASE}").text, "ticked in the list, the newest first"
    assert page.get(f"/compare?base={BASE}&new=none").status_code == 404


def test_more_than_two_are_followed_from_run_to_run_and_their_order_is_by_age(page: Served) -> None:
    answer = page.get(f"/compare?run={NEW}&run={BASE}&run={CUT}")
    assert answer.status_code == 200
    assert answer.text == page.get(f"/compare?run={CUT}&run={NEW}&run={BASE}").text
    assert page.get(f"/compare?run={BASE}&run={NEW}").text == page.get(f"/compare?run={NEW}&run={BASE}").text
    many = page.get("/compare?" + "&".join(f"run={number}" for number in range(21)))
    assert (many.status_code, "21 runs are ticked, and 20 go on a page" in many.text) == (409, True)


def test_a_run_is_set_against_a_baseline_as_by_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = str(tmp_path)
    keep_run(tmp_path, 0, [1000, 1010, 990, 1005], id=BASE)
    keep_run(tmp_path, 1, [1001, 1009, 992, 1004], id="20260802-ferry")
    keep_run(tmp_path, 2, [900, 905, 893, 901], id=NEW)
    assert invoke(["baseline", "set", "before", BASE, "20260802-ferry", "--store", store, "--note", "<i>"]) == 0
    capsys.readouterr()
    assert invoke(["compare", "before", NEW, "--store", store, "--json"]) in {0, 1}
    (change,) = json.loads(capsys.readouterr().out)["comparisons"][0]["changes"]
    with served(tmp_path) as there:
        assert '<option value="before">baseline before</option>' in there.get("/").text
        listed_there = there.get("/baselines").text
        assert "&lt;i&gt;" in listed_there
        (link,) = re.findall(r'href="(/compare[^"]+)"', listed_there)
        assert link == f"/compare?run={NEW}&amp;against=before", "the newest run, which is not one of its own"
        answer = there.get(f"/compare?run={NEW}&against=before")
        assert answer.status_code == 200
        figures = [float(figure) for figure in re.findall(r'data-value="([^"]+)"', answer.text)]
        assert any(figure == pytest.approx((change["ratio"] - 1) * 100, abs=1e-9) for figure in figures)

        own = there.get(f"/compare?run={BASE}&against=before")
        assert (own.status_code, "is one of baseline before itself: tick another one" in own.text) == (409, True)
        none = there.get(f"/compare?run={NEW}&against=after")
        assert (none.status_code, "has no baseline &#39;after&#39;" in none.text) == (404, True)
        alone = there.get("/compare?against=before")
        assert (alone.status_code, "tick two, or one and choose a baseline" in alone.text) == (409, True)

        shutil.rmtree(tmp_path / "20260802-ferry")
        gone = there.get(f"/compare?run={NEW}&against=before")
        assert (gone.status_code, "20260802-ferry is not in" in gone.text) == (409, True)
        assert "20260802-ferry is not in" in there.get("/baselines").text
        (tmp_path / "baselines" / "before.json").write_text("{")
        assert "before.json" in there.get("/baselines").text
        assert there.get("/").status_code == 200


def test_a_store_without_baselines_says_how_to_set_one(page: Served) -> None:
    assert "trialbed baseline set before-upgrade last" in page.get("/baselines").text
    assert 'name="against"' not in page.get("/").text


def test_cells_are_listed_by_workload_then_threads_then_size(tmp_path: Path) -> None:
    shapes = [{"name": name, "vcpus": vcpus, "memory": 2**30} for name, vcpus in (("ten", 10), ("two", 2), ("a", 4))]
    loads = [{"name": name, "command": ["true"], "threads": [1, 2, 10]} for name in ("fares", "bookings")]
    trials = [(shape["name"], load["name"], threads) for load in loads for shape in shapes for threads in (10, 2, 1)]
    planned = [
        PlannedTrial(id=f"{at:04}-x", number=at, block=1, shape=str(shape), workload=str(load), threads=threads)
        for at, (shape, load, threads) in enumerate(trials, start=1)
    ]
    plan = PLAN | {"shapes": shapes, "workloads": loads}
    writer = FolderStore(tmp_path).create(run_record(id="ferry-1", plan=plan, trials=tuple(planned)), INPUTS)
    for one in planned:
        writer.keep_trial(trial_record(FIRST).model_copy(update=one.model_dump()), trial_data())
    writer.let_go()
    with served(tmp_path) as there:
        shown = re.findall(r'<span class="whole">([^<,]+)', there.get("/").text)
        assert shown == ["two-bookings-t1", "a-bookings-t1", "ten-bookings-t1", "two-bookings-t2", "14 more"]
        known = re.findall(r'href="/history\?cells=([^"]+)"', there.get("/history").text)
    assert known == [
        f"{shape}-{load}-t{threads}"
        for load in ("bookings", "fares")
        for threads in (1, 2, 10)
        for shape in ("two", "a", "ten")
    ]


def test_a_bundle_for_which_there_is_no_room_is_refused_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_run(tmp_path, id="ferry-1")
    with served(tmp_path) as there:
        monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "none"))
        answer = there.get("/runs/ferry-1/bundle.zip")
    assert (answer.status_code, "cannot write" in answer.text) == (409, True)


def test_a_run_that_is_deleted_while_it_is_looked_at_is_said_to_be_gone(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1")
    with served(tmp_path) as there:
        assert there.get("/runs/ferry-1").status_code == 200
        shutil.rmtree(tmp_path / "ferry-1")
        for path in ("/runs/ferry-1", "/runs/ferry-1/body", "/runs/ferry-1/events", "/runs/ferry-1/report.html"):
            answer = there.get(path)
            assert (answer.status_code, "has no run" in answer.text) == (404, True), path


def test_cells_are_followed_through_the_runs_or_asked_for(page: Served) -> None:
    assert 'name="cells"' in page.get("/history").text
    assert "two-bookings-t2" in page.get("/history?cells=two-*").text


def test_a_run_that_cannot_be_read_is_told_of_in_the_list_and_on_its_page(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1")
    (tmp_path / "ferry-2").mkdir()
    (tmp_path / "ferry-2" / "run.json").write_text("{")
    with served(tmp_path) as there:
        assert "ferry-2: run.json" in there.get("/").text
        answer = there.get("/runs/ferry-2")
        assert answer.status_code == 409
        assert "Traceback" not in answer.text


def test_a_folder_of_any_name_has_its_page(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1")
    (tmp_path / "ferry-1").rename(tmp_path / 'a "ferry" & <more> ü?#%2f')
    with served(tmp_path) as there:
        (link,) = [part.partition('"')[0] for part in there.get("/").text.split('href="/runs/')[1:]]
        answer = there.get(f"/runs/{link}/report.html")
        assert answer.status_code == 200
        assert answer.headers["content-disposition"] == 'attachment; filename="a__ferry_____more______2f.html"'


def test_a_folder_whose_name_no_address_can_have_is_told_of_and_hides_no_other(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1")
    for name in (b"ferry-\xff", b"ferry\n2", "\u202eferry".encode()):
        shutil.copytree(os.fsencode(tmp_path / "ferry-1"), os.fsencode(tmp_path) + b"/" + name)
    with served(tmp_path) as there:
        assert listed(there) == ["ferry-1"]
        text = there.get("/").text
        assert "1 run, the newest first" in text
        for name in ("ferry-\\udcff", "ferry\\n2", "\\u202eferry"):
            assert f"<li>{name}: no address can be made of this folder&#39;s name" in text
        with there.news("/events") as news:
            next(news)


def test_a_link_out_of_a_runs_folder_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "private").write_text("nobody's business")
    whole_run(tmp_path / "store", id="ferry-1")
    (plan := tmp_path / "store" / "ferry-1" / "plan.yaml").unlink()
    plan.symlink_to(tmp_path / "private")
    with served(tmp_path / "store") as there:
        answer = there.get("/runs/ferry-1")
        assert answer.status_code == 200
        assert "nobody&#39;s business" not in answer.text
        assert "leads out of the run&#39;s folder" in answer.text


def test_a_long_list_begins_with_the_newest_and_is_whole_on_request(
    page: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_library, "ROWS_SHOWN", 2)
    assert listed(page) == [CUT, NEW]
    assert '3 runs, the newest first; the first 2 are shown: <a href="/?all=yes">show all</a>' in page.get("/").text
    assert '<a href="/?q=two-bookings&amp;all=yes">' in page.get("/rows?q=two-bookings").text
    assert listed(page, "two-bookings&all=yes") == [CUT, NEW, BASE]
    assert "show all" not in page.get("/?all=yes").text
    assert listed(page, "upgrade") == [NEW]


def digests(root: Path) -> dict[str, str]:
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in root.rglob("*")
        if path.is_file() and not path.name.startswith(".index")  # what `list` keeps as well, to be quick
    }


def test_looking_at_everything_changes_nothing(page: Served, store: Path) -> None:
    before = digests(store)
    for path in (
        "/",
        f"/runs/{NEW}",
        f"/runs/{CUT}",
        f"/compare?base={BASE}&new={NEW}",
        "/history?cells=*",
        "/baselines",
    ):
        assert page.get(path).status_code == 200
    page.get(f"/runs/{NEW}/bundle.zip")
    for path in (f"/runs/{CUT}/events", f"/runs/{NEW}/events"):
        with page.news(path) as news:
            assert [name for name, _ in news][-1] == "over"
    assert digests(store) == before


def test_a_store_that_cannot_be_written_to_is_shown_all_the_same(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1")
    for path in (tmp_path / "ferry-1", tmp_path):
        path.chmod(0o555)
    try:
        with served(tmp_path) as there:
            assert FIRST in there.get("/runs/ferry-1").text
            assert there.get("/runs/ferry-1/bundle.zip").status_code == 200
    finally:
        for path in (tmp_path, tmp_path / "ferry-1"):
            path.chmod(0o755)


def test_what_is_made_already_is_not_kept_back_by_what_is_being_made() -> None:
    slow, going = OneAtATime(2), threading.Event()
    slow.kept("a", "1", lambda: "made")
    begun = threading.Event()

    def make() -> None:
        begun.set()
        going.wait(60)

    thread = threading.Thread(target=slow.made, args=(make,))
    thread.start()
    asked: list[str] = []
    assert begun.wait(60)
    reader = threading.Thread(target=lambda: asked.append(slow.kept("a", "1", lambda: "again")))
    reader.start()
    reader.join(10)
    going.set()
    thread.join()
    assert asked == ["made"]


def test_what_takes_long_is_made_once_by_one_at_a_time_and_the_oldest_is_forgotten() -> None:
    slow, made = OneAtATime(2), []

    def make(name: str) -> str:
        made.append(name)
        return name

    threads = [threading.Thread(target=slow.kept, args=("a", "1", lambda: make("a"))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert made == ["a"]
    assert slow.kept("a", "2", lambda: make("newer")) == "newer"
    for name in ("b", "c"):
        slow.kept(name, "1", lambda name=name: make(name))
    slow.kept("b", "1", lambda: make("never"))
    slow.kept("a", "2", lambda: make("a again"))
    assert made == ["a", "newer", "b", "c", "a again"]
