"""Options of the built-in workload ``bookings``; the program itself is :mod:`orchestrator.workloads.bookings`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from orchestrator.core.design.declared import Declared, Flag, Percent, Whole

#: Under this name the program lies in the workload's folder in the guest.
PROGRAM = "bookings.py"


class BookingsOptions(Declared):
    """What a plan may set under ``with:``; the defaults make a database of some 60,000 bookings in a second."""

    bookings: Annotated[Whole, Field(ge=100, le=50_000_000)] = 60_000
    """Bookings in each worker's database before the load starts."""
    reads: Annotated[Percent, Field(ge=0, le=1)] = 0.8
    """Share of transactions that only read."""
    fsync: Flag = False
    """Whether each commit waits for the disk."""
    shared: Flag = False
    """Whether all workers use one database (and queue for its write lock) or each its own."""
    seed: Annotated[Whole, Field(ge=0, lt=2**63)] = 1
    """Makes the bookings and the order of transactions repeatable."""


def prepare_command(options: BookingsOptions) -> tuple[str, ...]:
    """The argument vector that makes the database, once for all trials of a guest; harmless to repeat."""
    return ("python3", PROGRAM, "prepare", *_database(options))


def run_command(options: BookingsOptions, threads: int) -> tuple[str, ...]:
    """The argument vector of the load with so many worker processes; every option is given, defaults too."""
    flags = [flag for flag, on in (("--fsync", options.fsync), ("--shared", options.shared)) if on]
    mix = ("--threads", str(threads), "--reads", repr(options.reads))
    return ("python3", PROGRAM, "run", *_database(options), *mix, *flags)


def _database(options: BookingsOptions) -> tuple[str, ...]:
    return ("--bookings", str(options.bookings), "--seed", str(options.seed))
