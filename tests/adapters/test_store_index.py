"""The index of a store: quick, never believed against the files, and dispensable at any time."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from library_of_runs import keep_run
from stored_runs import interrupted_run, whole_run

from orchestrator.adapters.store import folder as store_folder
from orchestrator.adapters.store import index, layout
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.record.run_line import RunLine, run_line

#: By then no file has changed just now.
LATER_S = 4e9


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Three runs that have ended, the last with a failed trial."""
    keep_run(tmp_path, 0, [2400, 2410, 2390])
    keep_run(tmp_path, 1, [2380, 2420])
    whole_run(tmp_path, started_utc="2026-09-01T00:00:00.000Z")
    return tmp_path


def store(root: Path) -> FolderStore:
    return FolderStore(root, now=lambda: LATER_S)


def read_from_files(root: Path) -> list[RunLine]:
    """The same from the files alone."""
    plain = FolderStore(root)
    return [run_line(run, plain.environment(run)) for run in plain.list()]


@pytest.fixture
def no_reading(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """From when it is called on, no run can be read: whatever is told comes from the index."""

    def forbid() -> None:
        monkeypatch.setattr(store_folder, "read_run", lambda *_, **__: pytest.fail("a run was read"))

    return forbid


def test_the_index_says_what_the_files_say_and_spares_reading_them(root: Path, no_reading: Callable[[], None]) -> None:
    expected = read_from_files(root)
    assert store(root).lines() == expected
    no_reading()
    assert store(root).lines() == expected


def test_it_may_be_deleted_at_any_time(root: Path) -> None:
    expected = store(root).lines()
    (root / layout.INDEX).unlink()
    assert store(root).lines() == expected
    assert (root / layout.INDEX).is_file()


@pytest.mark.parametrize("damage", [b"", b"no database at all" * 100, None], ids=["empty", "other", "cut short"])
def test_a_damaged_one_is_made_anew(root: Path, damage: bytes | None, no_reading: Callable[[], None]) -> None:
    expected = store(root).lines()
    path = root / layout.INDEX
    path.write_bytes(path.read_bytes()[:6000] if damage is None else damage)
    assert store(root).lines() == expected
    assert store(root).lines() == expected
    no_reading()
    assert store(root).lines() == expected


def test_one_of_another_version_or_with_other_entries_is_made_anew(root: Path, no_reading: Callable[[], None]) -> None:
    expected = store(root).lines()
    for statement in ("UPDATE runs SET line = '{}'", "PRAGMA user_version = 99", "DROP TABLE runs"):
        database = sqlite3.connect(root / layout.INDEX)
        database.execute(statement)
        database.commit()
        database.close()
        assert store(root).lines() == expected
    no_reading()
    assert store(root).lines() == expected


def test_where_none_can_be_kept_the_files_are_read(root: Path) -> None:
    (root / layout.INDEX).mkdir()
    assert store(root).lines() == read_from_files(root)


def test_one_that_another_process_holds_is_done_without(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(index, "_WAIT_S", 0.01)
    expected = store(root).lines()
    keep_run(root, 40, [2400])
    held = sqlite3.connect(root / layout.INDEX, isolation_level=None)
    held.execute("BEGIN EXCLUSIVE")
    assert store(root).lines() == read_from_files(root)
    held.close()
    assert store(root).lines()[:-1] == expected


def test_many_at_once_and_one_that_deletes_it_all_get_the_same_answer(root: Path) -> None:
    expected = read_from_files(root)

    def look(number: int) -> list[RunLine]:
        if number % 5 == 0:
            (root / layout.INDEX).unlink(missing_ok=True)
        return store(root).lines()

    with ThreadPoolExecutor(8) as pool:
        assert all(lines == expected for lines in pool.map(look, range(40)))


def test_whatever_changes_in_a_run_is_seen(root: Path) -> None:
    first = root / store(root).lines()[0].id
    trial = next((first / "trials").iterdir()) / "trial.json"
    whole = trial.read_bytes()

    trial.write_bytes(whole.replace(b'"unsteady"', b'"measured"').replace(b'"mean": 2400.0', b'"mean": 1200.0'))
    changed = store(root)
    assert changed.lines() == read_from_files(root)
    trial.write_bytes(whole[:100])
    damaged = store(root)
    assert damaged.lines()[0].tally.measured == 2
    assert [f"{first.name}: {trial.relative_to(first)}: " in problem for problem in damaged.problems()] == [True]
    assert ((again := store(root)).lines() and again.problems()) == damaged.problems(), "told each time"
    trial.write_bytes(whole)
    (first / "environment.json").unlink()
    assert store(root).lines()[0].environment is None
    (first / "run.json").unlink()
    assert len(store(root).lines()) == 2


def test_a_run_that_goes_on_is_never_kept(root: Path) -> None:
    _, writer = interrupted_run(root, started_utc="2026-10-01T00:00:00.000Z")
    assert store(root).lines()[-1].state == "running"
    writer.let_go()
    assert store(root).lines()[-1].state == "crashed"


def test_files_that_have_changed_just_now_are_read_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    youngest = max(path.stat().st_ctime for path in root.rglob("*"))
    FolderStore(root, now=lambda: youngest + 1.0).lines()
    FolderStore(root).lines()  # without a clock nobody can tell
    assert not (root / layout.INDEX).exists()


def test_a_store_that_was_moved_tells_its_new_place(root: Path) -> None:
    store(root).lines()
    moved = root.rename(root.with_name("moved"))
    assert {Path(line.location).parent for line in store(moved).lines()} == {moved}


def test_a_folder_whose_name_is_no_text_is_listed_all_the_same(root: Path) -> None:
    first = root / store(root).lines()[0].id
    try:
        first.rename(root / os.fsdecode(b"run-\xff"))
    except OSError:
        pytest.skip("this file system takes no such name")
    assert store(root).lines() == read_from_files(root)
    assert store(root).lines() == read_from_files(root)


def test_a_run_by_another_hand_is_listed_without_cells(root: Path) -> None:
    keep_run(root, 50, [2400], plan={"title": "of another hand"})
    line = store(root).lines()[-1]
    assert (line.cells, line.margin, line.tally.measured) == ((), None, 1)
