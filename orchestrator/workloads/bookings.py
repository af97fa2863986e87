#!/usr/bin/env python3
"""The bookings database of Saltmarsh Ferries under load: one program, sent to the guest and run there.

It needs Linux and Python 3.8 or newer. ``run`` prints a JSON object a second: ``operations`` (transactions done since
the start, all workers together), ``monotonic_s`` (CLOCK_MONOTONIC when they were counted), ``elapsed_s``, ``errors``
(transactions given up because another worker held the database for 10 s) and ``workers``. It ends on SIGTERM, SIGINT,
SIGHUP, when its output is no longer read, or when a pipe at its standard input is written to or closed.

The load is stationary by construction, so that a drift of its throughput is the machine's: bookings and cancellations
balance, a cancelled booking is deleted, and references are drawn from a fixed range and used again.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import json
import mmap
import os
import random
import select
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Callable, Iterator, NoReturn, Sequence  # noqa: UP035 - the guest may have Python 3.8

HARBOURS = ("Saltmarsh", "Gull Point", "Tern Island", "Heron Quay", "Sandling", "Wrack Bay")
ROUTES = [(a, b, 900 + 350 * abs(a - b)) for a in range(1, 7) for b in range(1, 7) if a != b]
NAMES = [f"{a} {b}" for a in ("Ada", "Ben", "Cora", "Dan", "Edie") for b in ("Brook", "Dune", "Fen", "Marsh", "Reed")]

TABLES = """
CREATE TABLE harbours (id INTEGER PRIMARY KEY, name TEXT);
CREATE TABLE routes (id INTEGER PRIMARY KEY, origin INTEGER REFERENCES harbours,
    destination INTEGER REFERENCES harbours, fare_cents INTEGER);
CREATE TABLE sailings (id INTEGER PRIMARY KEY, route INTEGER REFERENCES routes, departs_min INTEGER, capacity INTEGER,
    places_left INTEGER NOT NULL CHECK (places_left BETWEEN 0 AND capacity));
CREATE TABLE customers (id INTEGER PRIMARY KEY, name TEXT, email TEXT);
CREATE TABLE bookings (reference INTEGER PRIMARY KEY, sailing INTEGER NOT NULL REFERENCES sailings,
    customer INTEGER NOT NULL REFERENCES customers, places INTEGER NOT NULL CHECK (places > 0));
CREATE TABLE payments (booking INTEGER PRIMARY KEY REFERENCES bookings ON DELETE CASCADE, day INTEGER, cents INTEGER);
"""
INDEXES = """
CREATE INDEX sailings_by_route ON sailings (route, departs_min);
CREATE INDEX bookings_by_sailing ON bookings (sailing);
CREATE INDEX bookings_by_customer ON bookings (customer);
CREATE INDEX payments_by_day ON payments (day, cents);
ANALYZE;
"""
MANIFEST = """SELECT c.name, c.email, b.reference, b.places FROM bookings b JOIN customers c ON c.id = b.customer
    WHERE b.sailing = ? ORDER BY c.name"""
HISTORY = """SELECT b.reference, s.departs_min, o.name, d.name, b.places, p.cents FROM bookings b
    JOIN sailings s ON s.id = b.sailing JOIN routes r ON r.id = s.route JOIN harbours o ON o.id = r.origin
    JOIN harbours d ON d.id = r.destination JOIN payments p ON p.booking = b.reference
    WHERE b.customer = ? ORDER BY s.departs_min"""
TIMETABLE = """SELECT id, departs_min, places_left FROM sailings
    WHERE route = ? AND departs_min >= ? AND places_left >= ? ORDER BY departs_min LIMIT ?"""
TOTALS = "SELECT day, count(*), sum(cents) FROM payments WHERE day BETWEEN ? AND ? GROUP BY day"
WRONG_PLACES = """SELECT 'wrong places left on sailing ' || s.id FROM sailings s LEFT JOIN bookings b
    ON b.sailing = s.id GROUP BY s.id HAVING s.places_left <> s.capacity - coalesce(sum(b.places), 0)"""
UNPAID = "SELECT 'unpaid booking ' || reference FROM bookings WHERE reference NOT IN (SELECT booking FROM payments)"
FIRST_PAYMENTS = """INSERT INTO payments SELECT b.reference, b.reference * 7919 % ?, b.places * r.fare_cents
    FROM bookings b JOIN sailings s ON s.id = b.sailing JOIN routes r ON r.id = s.route ORDER BY b.reference"""


class Sizes:
    """How many rows of each kind go with a number of bookings; what one transaction touches does not depend on it."""

    def __init__(self, bookings: int) -> None:
        self.bookings, self.references = bookings, 2 * bookings
        self.sailings = max(len(ROUTES), bookings // 80)
        self.customers = max(50, bookings // 6)
        self.days = max(30, bookings // 600)


def open_database(path: Path, *, fsync: bool = False) -> sqlite3.Connection:
    """Open a database as the load uses it; transactions are begun and ended by hand."""
    database = sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=10, isolation_level=None)
    database.executescript(f"PRAGMA synchronous = {'FULL' if fsync else 'OFF'}; PRAGMA foreign_keys = ON;")
    return database


def fill(database: sqlite3.Connection, bookings: int, seed: int) -> None:
    """Write every row of a new database; the same arguments give the same rows on every machine."""
    sizes, draw = Sizes(bookings), random.Random(f"saltmarsh/{seed}")  # noqa: S311 - no secret
    left = [draw.choice((180, 220, 300)) for _ in range(sizes.sailings)]
    sailings = [(n + 1, n % len(ROUTES) + 1, draw.randrange(sizes.days * 1440), left[n]) for n in range(sizes.sailings)]

    def booking(number: int) -> tuple[int, int, int, int]:
        places, sailing = draw.randrange(1, 4), draw.randrange(sizes.sailings)
        while left[sailing] < places:
            sailing = (sailing + 1) % sizes.sailings
        left[sailing] -= places
        return 2 * number + draw.randrange(1, 3), sailing + 1, draw.randrange(1, sizes.customers + 1), places

    def insert(table: str, columns: int, rows: Iterator[tuple[Any, ...]]) -> None:
        database.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * columns)})", rows)  # noqa: S608 - own names

    database.executescript(TABLES + "BEGIN;")
    insert("harbours", 2, enumerate(HARBOURS, start=1))
    insert("routes", 4, ((n, *route) for n, route in enumerate(ROUTES, start=1)))
    insert("customers", 3, ((n, draw.choice(NAMES), f"customer{n}@example.com") for n in range(1, sizes.customers + 1)))
    insert("bookings", 4, map(booking, range(bookings)))
    insert("sailings", 5, ((*sailing, places) for sailing, places in zip(sailings, left)))  # noqa: B905 - new in 3.10
    database.execute(FIRST_PAYMENTS, (sizes.days,))
    database.executescript(INDEXES)  # commits first


def prepare(folder: Path, bookings: int, seed: int) -> Path:
    """Make the database that every worker starts from unless it is there; it appears whole or not at all."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"bookings-1-{bookings}-{seed}.db"  # 1 is the version of tables and rows
    part = path.with_suffix(".part")
    with (folder / "bookings.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if path.exists():
            return path
        part.write_bytes(b"")  # whatever an interrupted call has left
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as database:
            database.executescript("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -65536;")
            fill(database, bookings, seed)
            database.executescript("PRAGMA synchronous = FULL; PRAGMA journal_mode = WAL;")  # WAL holds for every copy
        part.rename(path)
    return path


def consistent(path: Path) -> bool:
    """Complain about everything inconsistent in a database; True when there is nothing."""
    with contextlib.closing(open_database(path)) as database:
        found = [text for (text,) in database.execute("PRAGMA integrity_check") if text != "ok"]
        found += [f"{t} {row} refers to no row of {p}" for t, row, p, _ in database.execute("PRAGMA foreign_key_check")]
        found += [text for query in (WRONG_PLACES, UNPAID) for (text,) in database.execute(query)]
    for problem in found:
        complain(f"{path.name}: {problem}")
    return not found


class Load:
    """One worker's stream of transactions on one database."""

    def __init__(self, database: sqlite3.Connection, bookings: int, reads: float, draw: random.Random) -> None:
        self.execute, self.random, self.reads, self.sizes = database.execute, draw.random, reads, Sizes(bookings)
        self.surplus = 0  # bookings less cancellations

    def transaction(self) -> None:
        """Do one transaction, drawn from the mix."""
        if self.random() < self.reads:
            self.read()
            return
        self.execute("BEGIN IMMEDIATE")
        choice = self.random()
        if choice < 0.2:
            self.change()
        elif choice < 0.6 - self.surplus / max(50, self.sizes.bookings // 20):
            self.surplus += self.book()
        else:
            self.surplus -= self.cancel()
        self.execute("COMMIT")

    def _one_of(self, count: int) -> int:
        return 1 + int(count * self.random())

    def _some_booking(self) -> Any:
        seek = "SELECT reference, sailing, places FROM bookings WHERE reference >= ? ORDER BY reference LIMIT 1"
        return self.execute(seek, (self._one_of(self.sizes.references),)).fetchone() or (0, 0, 0)

    def read(self) -> None:
        """Who is on a sailing, what a customer has booked, the next sailings with places, or what was paid on a day."""
        choice, sizes = self.random(), self.sizes
        if choice < 0.3:
            rows = self.execute(MANIFEST, (self._one_of(sizes.sailings),))
        elif choice < 0.6:
            rows = self.execute(HISTORY, (self._one_of(sizes.customers),))
        elif choice < 0.9:
            rows = self.execute(TIMETABLE, (self._one_of(len(ROUTES)), self._one_of(sizes.days * 1440), 2, 20))
        else:
            day = self._one_of(sizes.days) - 1
            rows = self.execute(TOTALS, (day, day + 1))
        rows.fetchall()

    def book(self) -> int:
        """Book one to three places on a sailing, if it has them; returns how many bookings were made."""
        sailing, places = self._one_of(self.sizes.sailings), self._one_of(3)
        query = "SELECT places_left, fare_cents FROM sailings JOIN routes ON routes.id = route WHERE sailings.id = ?"
        left, fare = self.execute(query, (sailing,)).fetchone()
        if left < places:
            return 0
        reference = self._one_of(self.sizes.references)
        while self.execute("SELECT 1 FROM bookings WHERE reference = ?", (reference,)).fetchone():
            reference = self._one_of(self.sizes.references)
        customer, day = self._one_of(self.sizes.customers), self._one_of(self.sizes.days) - 1
        self.execute("UPDATE sailings SET places_left = places_left - ? WHERE id = ?", (places, sailing))
        self.execute("INSERT INTO bookings VALUES (?, ?, ?, ?)", (reference, sailing, customer, places))
        self.execute("INSERT INTO payments VALUES (?, ?, ?)", (reference, day, places * fare))
        return 1

    def cancel(self) -> int:
        """Cancel a booking: its places are free again and its payment goes; returns how many were cancelled."""
        reference, sailing, places = self._some_booking()
        self.execute("UPDATE sailings SET places_left = places_left + ? WHERE id = ?", (places, sailing))
        return self.execute("DELETE FROM bookings WHERE reference = ?", (reference,)).rowcount

    def change(self) -> None:
        """Move a booking to another sailing of its route that has the places, for a fee."""
        reference, sailing, places = self._some_booking()
        route = self.execute("SELECT route FROM sailings WHERE id = ?", (sailing,)).fetchone()
        other = (
            route and self.execute(TIMETABLE, (route[0], self._one_of(self.sizes.days * 1440), places, 1)).fetchone()
        )
        if other:
            self.execute("UPDATE sailings SET places_left = places_left + ? WHERE id = ?", (places, sailing))
            self.execute("UPDATE sailings SET places_left = places_left - ? WHERE id = ?", (places, other[0]))
            self.execute("UPDATE bookings SET sailing = ? WHERE reference = ?", (other[0], reference))
            self.execute("UPDATE payments SET cents = cents + 500 WHERE booking = ?", (reference,))


SLOT, READY, DONE, ERRORS = 8, 0, 1, 2  # each worker counts in a cache line of its own: eight counts of eight bytes


class Team:
    """The worker processes, and the memory they share to count in."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options, self.parent, self.gate = options, os.getpid(), os.pipe()
        self.counts = memoryview(mmap.mmap(-1, options.threads * SLOT * 8)).cast("Q")
        self.workers: list[int] = []

    def start(self, number: int, path: Path) -> None:
        """Fork a worker, which gets its database ready and waits for the gate."""
        if child := os.fork():
            self.workers.append(child)
            return
        try:
            os.close(self.gate[1])
            self._work(number, path)
        except (OSError, sqlite3.Error) as error:
            complain(f"worker {number}: {error}")
        finally:
            os._exit(1)

    def _work(self, number: int, path: Path) -> None:
        counts, base, done = self.counts, number * SLOT, 0
        database = open_database(path, fsync=self.options.fsync)
        draw = random.Random(f"worker/{self.options.seed}/{number}")  # noqa: S311 - no secret
        transaction = Load(database, self.options.bookings, self.options.reads, draw).transaction
        counts[base + READY] = 1
        os.read(self.gate[0], 1)  # returns when the parent closes its end
        while os.getppid() == self.parent:
            for _ in range(32):
                try:
                    transaction()
                    done += 1
                    counts[base + DONE] = done
                except sqlite3.OperationalError as error:
                    if "locked" not in str(error):
                        raise
                    counts[base + ERRORS] += 1
                    database.rollback()

    def stop(self) -> int:
        """End the workers at once; returns how many had ended before."""
        early = [worker for worker in self.workers if os.waitpid(worker, os.WNOHANG)[0]]
        for worker in set(self.workers).difference(early):
            os.kill(worker, signal.SIGKILL)
            os.waitpid(worker, 0)
        return len(early)


@contextlib.contextmanager
def scratch(folder: Path) -> Iterator[Path]:
    """A folder for the workers' databases, gone afterwards; what a killed run left behind is removed first."""
    for leftover in folder.glob("bookings-run-*"):
        with contextlib.suppress(OSError), (leftover / "lock").open() as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)  # fails while the run or a worker of it is alive
            shutil.rmtree(leftover)
    with tempfile.TemporaryDirectory(prefix="bookings-run-", dir=folder) as path, Path(path, "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield Path(path)


def reasons_to_stop() -> list[int]:
    """Descriptors that can be read once there was a signal, a dead worker or news on standard input."""
    woken, wake = os.pipe2(os.O_NONBLOCK)
    signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGCHLD):
        if signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, lambda *_: None)
    given = Path("/dev/stdin")
    return [woken, 0] if given.is_fifo() or given.is_socket() else [woken]


def stopped(reasons: list[int], until_s: float) -> bool:
    """Wait for a moment; True as soon as there is a reason to stop."""
    return bool(select.select(reasons, [], [], max(0.0, until_s - time.monotonic()))[0])


def report(options: argparse.Namespace, team: Team, reasons: list[int]) -> None:
    """Print the count at fixed moments until there is a reason to stop."""
    now = start = due = time.monotonic()
    end = start + (options.seconds or float("inf"))
    while True:
        counts = {"operations": sum(team.counts[DONE::SLOT]), "errors": sum(team.counts[ERRORS::SLOT])}
        facts = {"monotonic_s": round(now, 6), "elapsed_s": round(now - start, 6), "workers": options.threads}
        os.write(1, (json.dumps(dict(counts, **facts)) + "\n").encode())
        if now == start:
            os.close(team.gate[1])  # the workers begin now, so that the first line says 0
        due = min(end, due + options.every * (1 + max(0, int((now - due) / options.every))))
        if now >= end or stopped(reasons, due):
            return
        now = time.monotonic()


def run(options: argparse.Namespace) -> int:
    """Load the database with worker processes; returns the exit status."""
    template = prepare(options.folder, options.bookings, options.seed)
    team, reasons = Team(options), reasons_to_stop()
    with scratch(options.folder) as folder, contextlib.suppress(BrokenPipeError):
        paths = [folder / f"{n}.db" for n in range(1 if options.shared else options.threads)]
        for path in paths:
            shutil.copyfile(template, path)
        try:
            for number in range(options.threads):
                team.start(number, paths[number % len(paths)])
            while sum(team.counts[READY::SLOT]) < options.threads and not stopped(reasons, time.monotonic() + 0.01):
                pass
            report(options, team, reasons)
        finally:
            early = team.stop()
    if early:
        complain(f"{early} of {options.threads} workers ended early")
    return 1 if early else 0


def complain(message: object) -> None:
    """One line on standard error."""
    os.write(2, f"bookings: {message}\n".encode())


class Parser(argparse.ArgumentParser):
    """A parser that says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        """End with status 2."""
        complain(f"{message} (see --help)")
        raise SystemExit(2)


def number(kind: Callable[[str], float], low: float, high: float) -> Callable[[str], float]:
    """An argument's type: a number between two others, both allowed."""

    def read(text: str) -> float:
        with contextlib.suppress(ValueError):
            if low <= kind(text) <= high:
                return kind(text)
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from {low:g} to {high:g}")

    return read


def command_line() -> Parser:
    """The options; their defaults are those of a plan's ``with``."""
    made = Parser(add_help=False)
    made.add_argument("--folder", type=Path, default=Path(), help="where databases are kept (here)")
    made.add_argument("--bookings", type=number(int, 100, 5e7), default=60_000, help="in each database (%(default)s)")
    made.add_argument("--seed", type=number(int, 0, 2**63 - 1), default=1, help="of all random draws (%(default)s)")
    parser = Parser(prog="bookings.py", description="The bookings database of Saltmarsh Ferries under load.")
    verbs = parser.add_subparsers(required=True, metavar="prepare|run|check")
    prepares = verbs.add_parser("prepare", parents=[made], help="make the database once")
    prepares.set_defaults(act=lambda given: not prepare(given.folder, given.bookings, given.seed))
    load = verbs.add_parser("run", parents=[made], help="load it with worker processes")
    load.set_defaults(act=run)
    load.add_argument("--threads", type=number(int, 1, 4096), default=1, help="worker processes (%(default)s)")
    load.add_argument("--reads", type=number(float, 0, 1), default=0.8, help="share that only reads (%(default)s)")
    load.add_argument("--fsync", action="store_true", help="each commit waits for the disk")
    load.add_argument("--shared", action="store_true", help="one database for all workers, not one each")
    load.add_argument("--seconds", type=number(float, 0.1, 1e9), help="end after so long (when told to)")
    load.add_argument("--every", type=number(float, 0.1, 60), default=1.0, help="seconds between lines (%(default)s)")
    checks = verbs.add_parser("check", help="verify that a database is consistent")
    checks.add_argument("file", type=Path)
    checks.set_defaults(act=lambda given: not consistent(given.file))
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Do what the command line says; returns the exit status: 0 done, 1 failed, 2 wrong arguments."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    options = command_line().parse_args(arguments)
    try:
        return int(options.act(options))
    except (OSError, sqlite3.Error) as error:
        complain(error)
        return 1


if __name__ == "__main__":
    sys.exit(main())
