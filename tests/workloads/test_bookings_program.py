"""The bookings workload as it runs in a guest: real processes, real databases."""

from __future__ import annotations

import ast
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest

from orchestrator.core.design.bookings import BookingsOptions, prepare_command, run_command
from orchestrator.workloads import bookings

PROGRAM = Path(bookings.__file__)
SMALL = ("--bookings", "2000")
Lines = list[dict[str, Any]]


def start(folder: Path, *arguments: str, **given: Any) -> subprocess.Popen[str]:
    given.setdefault("stdin", subprocess.DEVNULL)
    command = [sys.executable, str(PROGRAM), "run", *SMALL, *arguments]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **given)


def finished(folder: Path, *arguments: str) -> tuple[Lines, str, int]:
    with start(folder, *arguments) as process:
        output, errors = process.communicate(timeout=60)
    return [json.loads(line) for line in output.splitlines()], errors, process.returncode


@contextmanager
def running(folder: Path, *arguments: str, **given: Any) -> Iterator[subprocess.Popen[str]]:
    """A run that has printed its first line, so that all its workers work."""
    with start(folder, *arguments, **given) as process:
        assert process.stdout is not None
        try:
            assert json.loads(process.stdout.readline())["operations"] == 0
            yield process
        finally:
            process.kill()


def children(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(child) for child in found]


def soon(condition: Callable[[], bool], within_s: float = 10.0) -> bool:
    until_s = time.monotonic() + within_s
    while not condition() and time.monotonic() < until_s:
        time.sleep(0.01)
    return condition()


def gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"
    except OSError:
        return True


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("bookings-run-"))


# ------------------------------------------------------------------------------------------------- the database


def test_the_same_size_and_seed_give_the_same_bytes(tmp_path: Path) -> None:
    first, second, other = (
        bookings.prepare(tmp_path / name, 500, seed) for name, seed in (("a", 1), ("b", 1), ("c", 2))
    )
    assert first.read_bytes() == second.read_bytes()
    assert first.read_bytes() != other.read_bytes()


def test_a_new_database_is_consistent_and_as_large_as_asked(tmp_path: Path) -> None:
    path = bookings.prepare(tmp_path, 3000, 7)
    assert bookings.consistent(path)
    with closing(sqlite3.connect(path)) as database:
        counts = "SELECT (SELECT count(*) FROM bookings), (SELECT count(*) FROM payments)"
        assert database.execute(counts).fetchone() == (3000, 3000)
        booked, taken = database.execute(
            "SELECT (SELECT sum(places) FROM bookings), (SELECT sum(capacity - places_left) FROM sailings)"
        ).fetchone()
        assert booked == taken


def test_prepare_is_made_once_and_an_interrupted_one_is_harmless(tmp_path: Path) -> None:
    path = bookings.prepare(tmp_path, 500, 1)
    made = path.read_bytes()
    path.rename(path.with_suffix(".part"))
    path.with_suffix(".part").write_bytes(made[: len(made) // 2])  # cut off in the middle
    assert bookings.prepare(tmp_path, 500, 1).read_bytes() == made
    before = path.stat().st_mtime_ns
    bookings.prepare(tmp_path, 500, 1)
    assert path.stat().st_mtime_ns == before


@pytest.mark.real
def test_two_at_once_make_one_database(tmp_path: Path) -> None:
    command = [sys.executable, str(PROGRAM), "prepare", "--bookings", "20000"]
    both = [subprocess.Popen(command, cwd=tmp_path) for _ in range(2)]
    assert [process.wait(60) for process in both] == [0, 0]
    assert [path.name for path in tmp_path.glob("*.db")] == ["bookings-1-20000-1.db"]
    assert list(tmp_path.glob("*.part*")) == []


@pytest.mark.real
def test_the_default_database_takes_seconds(tmp_path: Path) -> None:
    began_s = time.process_time()
    bookings.prepare(tmp_path, 60_000, 1)
    assert time.process_time() - began_s < 3.0  # CPU time: what one core needs, whatever else runs


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        ("UPDATE sailings SET places_left = places_left - 1 WHERE id = 3", "wrong places left on sailing 3"),
        ("DELETE FROM payments WHERE booking = (SELECT min(reference) FROM bookings)", "unpaid booking"),
        ("DELETE FROM customers WHERE id = 5", "refers to no row of customers"),
        ("DELETE FROM bookings WHERE sailing = 4", "wrong places left on sailing 4"),
    ],
)
def test_an_inconsistent_database_is_found_out(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], damage: str, told: str
) -> None:
    path = bookings.prepare(tmp_path, 500, 1)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(damage)
    assert bookings.main(["check", str(path)]) == 1
    assert told in capfd.readouterr().err


# ----------------------------------------------------------------------------------------------------- the load


@pytest.mark.real
def test_lines_come_at_regular_moments_with_growing_counts(tmp_path: Path) -> None:
    began_s = time.monotonic()
    lines, errors, status = finished(tmp_path, "--threads", "2", "--seconds", "1.5", "--every", "0.5")
    assert (errors, status) == ("", 0)
    assert [set(line) for line in lines] == [{"operations", "monotonic_s", "elapsed_s", "errors", "workers"}] * 4
    assert lines[0]["operations"] == 0
    assert all(earlier["operations"] < later["operations"] for earlier, later in pairwise(lines))
    assert all(line["errors"] == 0 and line["workers"] == 2 for line in lines)
    for n, line in enumerate(lines):  # moments are fixed from the start, so that lateness does not add up
        assert 0.5 * n <= line["elapsed_s"] + 1e-6 < 0.5 * n + 0.4
        assert line["monotonic_s"] - lines[0]["monotonic_s"] == pytest.approx(line["elapsed_s"], abs=1e-4)
    assert began_s < lines[0]["monotonic_s"] < lines[-1]["monotonic_s"] < time.monotonic()
    assert leftovers(tmp_path) == []


@pytest.mark.real
@pytest.mark.parametrize("flags", [(), ("--shared",), ("--fsync",), ("--reads", "0"), ("--reads", "1")])
def test_after_the_load_every_database_is_consistent(tmp_path: Path, flags: tuple[str, ...]) -> None:
    """The run is killed hard in the middle of its transactions, and leaves its databases to be looked at."""
    with running(tmp_path, "--threads", "3", "--every", "0.1", *flags) as process:
        assert process.stdout is not None
        shown = [json.loads(process.stdout.readline()) for _ in range(5)]
        workers = children(process.pid)
        assert len(workers) == 3
        process.kill()
        assert soon(lambda: all(gone(worker) for worker in workers)), "workers outlive their parent"
    assert shown[-1]["operations"] > 50
    (leftover,) = leftovers(tmp_path)
    databases = sorted((tmp_path / leftover).glob("*.db"))
    assert len(databases) == (1 if "--shared" in flags else 3)
    assert all(bookings.consistent(path) for path in databases)
    template = bookings.prepare(tmp_path, 2000, 1)
    changed = [rows(path) != rows(template) for path in databases]
    assert all(changed) is (flags != ("--reads", "1"))
    for path in databases:  # bookings and cancellations balance
        assert rows(path)[0] == pytest.approx(2000, rel=0.1)
    finished(tmp_path, "--seconds", "0.1")
    assert leftovers(tmp_path) == [], "the next run clears up what a killed one left"


def rows(path: Path) -> tuple[int, int]:
    with closing(sqlite3.connect(path)) as database:
        found: tuple[int, int] = database.execute("SELECT count(*), sum(reference * sailing) FROM bookings").fetchone()
        return found


def test_a_run_beside_another_leaves_its_databases_alone(tmp_path: Path) -> None:
    with running(tmp_path, "--every", "0.1") as process:
        finished(tmp_path, "--seconds", "0.1")
        assert len(leftovers(tmp_path)) == 1
        process.terminate()
        assert process.wait(10) == 0
    assert leftovers(tmp_path) == []


def draws(seed: int) -> Random:
    return Random(seed)  # noqa: S311 - drawing a load is no cryptography


def test_a_seed_repeats_the_transactions_of_a_worker(tmp_path: Path) -> None:
    def state_after(seed: int, folder: str) -> tuple[int, int]:
        path = bookings.prepare(tmp_path / folder, 500, 1)
        with closing(bookings.open_database(path)) as database:
            load = bookings.Load(database, 500, 0.5, draws(seed))
            for _ in range(400):
                load.transaction()
        assert bookings.consistent(path)
        return rows(path)

    assert state_after(3, "a") == state_after(3, "b") != state_after(4, "c")


def test_the_number_of_bookings_stays_where_it_began(tmp_path: Path) -> None:
    path = bookings.prepare(tmp_path, 500, 1)
    with closing(bookings.open_database(path)) as database:
        load = bookings.Load(database, 500, 0.0, draws(1))
        counts = []
        for n in range(10_000):
            load.transaction()
            if n % 100 == 0:
                counts.append(database.execute("SELECT count(*) FROM bookings").fetchone()[0])
    assert 400 < min(counts) <= max(counts) < 600
    assert bookings.consistent(path)


# ----------------------------------------------------------------------------------------------------- its end


@pytest.mark.real
@pytest.mark.parametrize("how", ["SIGTERM", "SIGINT", "SIGHUP", "SIGTERM to all", "end of input", "nobody reads"])
def test_every_end_is_clean(tmp_path: Path, how: str) -> None:
    given: dict[str, Any] = {"stdin": subprocess.PIPE} if how == "end of input" else {}
    with running(tmp_path, "--threads", "2", "--every", "0.1", start_new_session=True, **given) as process:
        workers = children(process.pid)
        assert process.stdout is not None
        assert process.stderr is not None
        if how == "SIGTERM to all":  # as a login that ends a whole process group does
            os.killpg(process.pid, signal.SIGTERM)
        elif how == "end of input":
            assert process.stdin is not None
            process.stdin.close()
        elif how == "nobody reads":
            process.stdout.close()
        else:
            process.send_signal(signal.Signals[how])
        assert process.wait(10) == 0
        assert process.stderr.read() == ""
        assert all(gone(worker) for worker in workers)
    assert leftovers(tmp_path) == []


@pytest.mark.real
def test_a_worker_that_dies_ends_the_load(tmp_path: Path) -> None:
    with running(tmp_path, "--threads", "3") as process:
        assert process.stderr is not None
        os.kill(children(process.pid)[1], signal.SIGKILL)
        assert process.wait(10) == 1
        assert process.stderr.read() == "bookings: 1 of 3 workers ended early\n"
    assert leftovers(tmp_path) == []


@pytest.mark.real
def test_a_full_or_forbidden_disk_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    _, errors, status = finished(tmp_path, "--folder", "file")
    assert status == 1
    assert errors.count("\n") == 1
    assert "file" in errors


@pytest.mark.parametrize(
    "arguments",
    [
        "run --threads 0",
        "run --threads many",
        "run --threads 4097",
        "run --reads 1.01",
        "run --reads nan",
        "run --seconds 0",
        "run --bookings 99",
        "run --seed -1",
        "run --speed 3",
        "prepare --threads 2",
        "stop",
        "",
        "check",
    ],
)
def test_wrong_arguments_are_one_line_and_status_2(capfd: pytest.CaptureFixture[str], arguments: str) -> None:
    with pytest.raises(SystemExit) as caught:
        bookings.main(arguments.split())
    assert caught.value.code == 2
    told = capfd.readouterr().err
    assert told.startswith("bookings: ")
    assert told.count("\n") == 1


def test_a_file_that_is_no_database_is_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.db").write_text("not a database, whatever its name says " * 20)
    assert bookings.main(["check", str(tmp_path / "x.db")]) == 1
    assert bookings.main(["check", str(tmp_path / "missing.db")]) == 1
    assert capfd.readouterr().err.count("\n") == 2


# ------------------------------------------------------------------------------------------------ plan and program


def test_a_plans_options_are_the_programs_options() -> None:
    options = BookingsOptions()
    given = bookings.command_line().parse_args(run_command(options, 3)[2:])
    alone = bookings.command_line().parse_args(["run"])
    assert given.threads == 3
    for name in BookingsOptions.model_fields:
        assert getattr(given, name) == getattr(alone, name) == getattr(options, name), name


def test_every_option_of_a_plan_reaches_the_program() -> None:
    declared = {"bookings": 500, "reads": "33.3 %", "fsync": True, "shared": True, "seed": 2**63 - 1}
    options = BookingsOptions.model_validate(declared)
    given = bookings.command_line().parse_args(run_command(options, 2)[2:])
    for name in BookingsOptions.model_fields:
        assert getattr(given, name) == getattr(options, name), name
    made = bookings.command_line().parse_args(prepare_command(options)[2:])
    assert (made.bookings, made.seed) == (500, 2**63 - 1)


def test_the_program_stands_alone_and_is_understood_by_python_3_8() -> None:
    tree = ast.parse(PROGRAM.read_text(encoding="ascii"), feature_version=(3, 8))
    imported = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    imported |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert imported <= set(sys.stdlib_module_names)
