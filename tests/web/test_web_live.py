"""Runs in progress, watched: a page is told of each trial as it ends, and a server that is to end lets go at once."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest
from stored_runs import FIRST, INPUTS, SECOND, event, run_record, trial_data, trial_record, whole_run

httpx = pytest.importorskip("httpx")
pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("sse_starlette")

from served_store import served

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.adapters.web import server
from orchestrator.adapters.web import watching as watching_module
from orchestrator.adapters.web.library import News
from orchestrator.adapters.web.watching import Watching
from orchestrator.errors import StoreError
from orchestrator.wiring.run_watchers import Course, RunsWatcher, RunWatcher, states_version
from orchestrator.wiring.serving import Wish, serving

PACKAGE = Path(__file__).parents[2]


def begun(root: Path, run: str = "ferry-1") -> FolderWriter:
    """A run whose first trial is in hand."""
    writer = FolderStore(root).create(run_record(id=run), INPUTS)
    writer.append(event("run-started"))
    writer.append(event("guest-saved"))
    writer.append(event("trial-started", FIRST))
    writer.append(event("stage-started", FIRST, stage="warm up"))
    return writer


def keep(writer: FolderWriter, trial: str) -> None:
    writer.keep_trial(trial_record(trial), trial_data())
    writer.append(event("trial-ended", trial, outcome="measured"))


def end(writer: FolderWriter) -> None:
    writer.append(event("restored"))
    writer.append(event("run-ended"))
    writer.seal()
    writer.let_go()


def test_a_page_gains_a_trial_while_a_run_goes_on_and_hears_of_its_end(tmp_path: Path) -> None:
    writer = begun(tmp_path)
    with served(tmp_path) as there, there.news("/runs/ferry-1/events") as news:
        page = there.get("/runs/ferry-1").text
        assert 'data-follows="/runs/ferry-1/events"' in page
        assert "Trial 1 of 2: warm up" in page
        assert "once the run has ended" in page, "there is no bundle yet"
        assert next(news)[1]["headline"] == "Trial 1 of 2: warm up"
        assert next(news) == ("trial", {"ended": 0, "planned": 2, "version": "0-0"})

        keep(writer, FIRST)
        writer.append(event("trial-started", SECOND))
        heard = next(told for name, told in news if name == "trial")
        assert (heard["ended"], heard["version"]) == (1, "1-0")
        body = there.get("/runs/ferry-1/body").text
        assert 'data-version="1-0"' in body
        assert 'id="trial-1"' in body
        assert 'id="trial-2"' not in body
        assert "<html" not in body

        keep(writer, SECOND)
        end(writer)
        rest = list(news)  # the stream ends by itself
        assert rest[-1][0] == "over"
        assert rest[-1][1]["state"] == "done"
        assert 'id="trial-2"' in there.get("/runs/ferry-1/body").text
        assert 'href="/runs/ferry-1/bundle.zip"' in there.get("/runs/ferry-1").text


def test_the_list_hears_of_new_runs_and_of_how_far_they_are(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-0")
    with served(tmp_path) as there, there.news("/events") as news:
        first = next(news)[1]
        assert first["trials"] == {}
        assert f'data-version="{first["version"]}"' in there.get("/").text, "what is shown is not out of date"

        writer = begun(tmp_path)
        second = next(news)[1]
        assert second["trials"] == {"ferry-1": "0 of 2"}
        assert second["version"] != first["version"]
        rows = there.get("/rows").text
        assert f'data-version="{second["version"]}"' in rows
        assert "<html" not in rows

        keep(writer, FIRST)
        third = next(news)[1]
        assert (third["version"], third["trials"]) == (second["version"], {"ferry-1": "1 of 2"})

        end(writer)
        fourth = next(news)[1]
        assert fourth["trials"] == {}
        assert f'data-version="{fourth["version"]}"' in there.get("/rows").text


def test_a_run_that_is_taken_up_again_is_noticed(tmp_path: Path) -> None:
    begun(tmp_path).let_go()
    watcher = RunsWatcher(str(tmp_path))
    assert [f'"version": "{states_version([("ferry-1", "crashed")])}"' in news.data for news in watcher.look()] == [
        True
    ]
    assert watcher.look() == []
    _, writer, _ = FolderStore(tmp_path).reopen("ferry-1")
    writer.append(event("run-resumed"))
    assert [states_version([("ferry-1", "running")]) in news.data for news in watcher.look()] == [True]
    writer.let_go()
    assert [states_version([("ferry-1", "crashed")]) in news.data for news in watcher.look()] == [True]


def test_readings_are_put_together_from_looks_that_overlap() -> None:
    course = Course()
    warm, steady = [(float(n), False) for n in range(30)], [(float(n), True) for n in range(30, 70)]
    readings = (*warm, *steady)
    for seen in (0, 1, 5, 5, 40, 41, 69, 70):
        course.add(FIRST, readings[max(0, seen - 40) : seen])
    assert course.readings == readings
    course.add(SECOND, readings[:3])
    assert course.readings == readings[:3]


class Counted:
    """A watcher that tells how often it was looked at."""

    def __init__(self, until: int = 10**9, wrong: Exception | None = None) -> None:
        self.looks, self.until, self.wrong = 0, until, wrong

    @property
    def over(self) -> bool:
        return self.looks >= self.until

    def look(self) -> Sequence[News]:
        self.looks += 1
        if self.wrong is not None:
            raise self.wrong
        return [News("count", str(self.looks)), *([News("first", "1")] if self.looks == 1 else [])]


def test_whoever_watches_the_same_shares_one_watcher_which_rests_when_nobody_does() -> None:
    made: list[Counted] = []

    def make() -> Counted:
        made.append(Counted())
        return made[-1]

    async def watch() -> None:
        watching = Watching(every_s=0)
        one, other = watching.news("run", make), watching.news("run", make)
        assert (await anext(one)).data == "1"
        assert {(await anext(other)).name for _ in range(2)} == {"count", "first"}, "who comes later hears it all"
        assert len(made) == 1
        assert watching.watched == {"run"}
        await one.aclose()
        assert watching.watched == {"run"}
        await other.aclose()
        assert watching.watched == frozenset()
        for _ in range(3):  # a look that is in hand comes to its end
            await asyncio.sleep(0)
        looks = made[0].looks
        again = watching.news("run", make)
        await anext(again)
        await again.aclose()
        assert made[0].looks <= looks + 1
        assert len(made) == 2, "who comes after that begins anew"

    asyncio.run(watch())


def test_news_that_is_not_fetched_is_replaced_by_what_is_newer() -> None:
    async def watch() -> list[str]:
        watcher = Counted(until=500)
        news = Watching(every_s=0).news("run", lambda: watcher)
        found = [(await anext(news)).data]
        while not watcher.over:
            await asyncio.sleep(0)
        return found + [one.data async for one in news]

    found = asyncio.run(watch())
    assert found[-1] == "500"
    assert len(found) < 10


def test_a_stream_ends_where_there_is_nothing_to_look_at_any_more() -> None:
    async def watch(wrong: Exception) -> list[News]:
        return [news async for news in Watching(every_s=0).news("run", lambda: Counted(wrong=wrong))]

    assert asyncio.run(watch(StoreError("gone"))) == []
    with pytest.raises(ZeroDivisionError):
        asyncio.run(watch(ZeroDivisionError()))


def test_streams_end_when_all_is_closed_and_none_begins_after() -> None:
    async def watch() -> None:
        watching = Watching(every_s=0)
        news = watching.news("run", Counted)
        await anext(news)
        watching.close()
        assert len([one async for one in news]) <= 2
        assert [one async for one in watching.news("run", Counted)] == []

    asyncio.run(watch())


def test_whoever_says_nothing_is_not_waited_for_and_whoever_watches_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "REQUEST_WITHIN_S", 0.2)
    with served(tmp_path) as there, there.news("/events") as news:
        next(news)
        for said in (b"", b"GET / HTTP/1.1\r\nHost: local", b"HEAD / HTTP/1.1\r\nHost: localhost\r\n\r\nGET / HT"):
            with there.line() as line:
                line.sendall(said)
                while line.recv(65536):  # until it is closed
                    pass
        whole_run(tmp_path, id="ferry-1")
        assert next(news)[0] == "runs"


def test_so_many_may_watch_and_pages_are_had_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watching_module, "MOST_LISTENERS", 1)
    whole_run(tmp_path, id="ferry-1")
    with served(tmp_path) as there, there.news("/events") as news:
        next(news)
        answer = there.get("/runs/ferry-1/events")
        assert (answer.status_code, "Too many pages" in answer.text) == (503, True)
        assert there.get("/").status_code == 200


def test_what_a_stream_tells_is_fit_to_be_shown(tmp_path: Path) -> None:
    writer = begun(tmp_path)
    writer.append(event("stage-started", FIRST, stage="\x1b[31m\u202e<b>" + "x" * 9000))
    _, told, _ = RunWatcher(tmp_path, "ferry-1", "second", "").where()
    assert told.headline.startswith("Trial 1 of 2: \\x1b[31m\\u202e<b>xxx")  # set as text, so markup stands as it is
    assert len(told.headline) < 1000
    writer.let_go()


def test_a_run_that_goes_or_is_put_in_the_place_of_another_is_noticed(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1")
    whole_run(tmp_path, id="ferry-2")
    watcher = RunsWatcher(str(tmp_path))
    assert states_version([("ferry-1", "done"), ("ferry-2", "done")]) in watcher.look()[0].data
    shutil.rmtree(tmp_path / "ferry-1")
    assert states_version([("ferry-2", "done")]) in watcher.look()[0].data
    (tmp_path / "ferry-2").rename(tmp_path / "apart")
    writer = begun(tmp_path, "ferry-2")
    assert states_version([("apart", "done"), ("ferry-2", "running")]) in watcher.look()[0].data
    writer.let_go()
    shutil.rmtree(tmp_path)
    assert states_version([]) in watcher.look()[0].data


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_and_is_answered_as_before_afterwards(tmp_path: Path, number: signal.Signals) -> None:
    writer = begun(tmp_path)
    page, before, heard = serving(Wish(str(tmp_path)), pytest.fail, pytest.fail), signal.getsignal(number), []

    def watch() -> None:
        with httpx.Client(timeout=60) as client, client.stream("GET", f"{page.url}runs/ferry-1/events") as answer:
            lines = answer.iter_lines()
            heard.append(next(lines))
            os.kill(os.getpid(), number)
            heard.extend(lines)

    watcher = threading.Thread(target=watch)
    with pytest.raises(KeyboardInterrupt):
        page.server.run_to_the_end(watcher.start)
    watcher.join(60)
    assert heard[0] == "event: status"
    assert len(heard) > 1, "what was said before its end arrives whole"
    assert signal.getsignal(number) is before
    writer.let_go()


def test_an_interrupt_leaves_what_is_in_the_making_and_says_so(tmp_path: Path) -> None:
    whole_run(tmp_path / "results", id="ferry-1")
    (scratch := tmp_path / "scratch").mkdir()
    program = """
import sys, threading, time
from orchestrator.wiring import packing
def never(run, store, archive, **_):
    archive.write_bytes(b"half")
    print("begun", flush=True)
    threading.Event().wait()
packing.pack_run = never
from orchestrator.cli import main
sys.argv[1:] = ["serve", "results", "--port", "0"]
main()
"""
    search = {"PYTHONPATH": f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}", "TMPDIR": str(scratch)}
    with subprocess.Popen(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env=os.environ | search,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            url, *_ = [process.stdout.readline().split()[-1] for _ in range(3)]
            answers: list[httpx.Response] = []
            asking = threading.Thread(
                target=lambda: answers.append(httpx.get(f"{url}runs/ferry-1/bundle.zip", timeout=60))
            )
            asking.start()
            assert process.stdout.readline() == "begun\n"
            assert list(scratch.iterdir())
            process.send_signal(signal.SIGINT)
            _, err = process.communicate(timeout=20)  # of itself it would never end
            asking.join(20)
        finally:
            process.kill()
    assert process.returncode == 130
    assert err == "trialbed: interrupted; what was being made for a browser is left undone\n"
    assert [answer.status_code for answer in answers] == [503]
    assert list(scratch.iterdir()) == []


def test_an_interrupt_ends_the_program_at_once_though_somebody_watches(tmp_path: Path) -> None:
    writer = begun(tmp_path)
    environment = os.environ | {"PYTHONPATH": f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}"}
    command = [sys.executable, "-m", "orchestrator", "serve", str(tmp_path), "--port", "0"]
    with subprocess.Popen(
        command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            said = [process.stdout.readline() for _ in range(3)]
            assert said[0].startswith("Showing the runs at http://127.0.0.1:")
            assert said[2] == "Ctrl-C ends it.\n"
            url = said[0].split()[-1]
            with httpx.Client(timeout=60) as client, client.stream("GET", f"{url}runs/ferry-1/events") as answer:
                lines = answer.iter_lines()
                assert next(lines) == "event: status"
                process.send_signal(signal.SIGINT)
                assert list(lines), "what was said before its end arrives whole"
            _, err = process.communicate(timeout=60)
        finally:
            process.kill()
    assert process.returncode == 130
    assert err.strip() == "trialbed: interrupted"
    writer.let_go()
