"""The verb that tells where a run stands: while it runs, from another terminal, and afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from orchestrator.cli import completing
from orchestrator.cli.output import (
    console,
    json_option,
    per_option,
    show_json,
    show_text,
    store_option,
    store_words,
    warn,
)
from orchestrator.cli.pages import Page

if TYPE_CHECKING:
    from orchestrator.adapters.store.following import Follower
    from orchestrator.engine.status import Status


@click.command(cls=Page, short_help="Tell where a run stands; --watch follows it.")
@click.argument("run_id", metavar="[RUN]", default="last", shell_complete=completing.runs)
@click.option("--watch", is_flag=True, help="Follow the run to its end, and end with its exit status.")
@store_option
@per_option
@json_option
def status(run_id: str, store: str, per: str, *, watch: bool, as_json: bool) -> int:
    """Tell where a RUN stands.

    Reads the store alone, so it works from another terminal while the run goes on, and after a crash. --watch keeps the
    page fresh on a terminal; elsewhere it prints a line a change, with the time in UTC. Ctrl-C leaves it and does not
    touch the run. The row of blocks is the throughput of the trial in hand, from zero; a bar ends its warm-up.

    Operands:
      RUN  A run's id, the beginning of one, the path of its folder, or `last`, which is meant where it is left out.

    Examples:
      trialbed status
      trialbed status --watch
      trialbed status 20261128 --store /srv/results --json

    Exit status:
      0          Told. With --watch: that of the run, as trialbed run.
      1, 3, 130  With --watch: that of the run; 3 also where it crashed or a guest was not put back.

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed run, trialbed resume, trialbed restore
    """
    if watch and as_json:
        raise click.UsageError("--watch and --json exclude each other; ask for --json again and again instead")
    from orchestrator.adapters.report.status_text import render_status, status_json
    from orchestrator.engine.status import status_of
    from orchestrator.wiring import views

    follower = views.follower(run_id, store)
    if watch:
        return _watch(follower, store, per)
    found = status_of(follower.look(), store_words(store))
    if as_json:
        show_json(status_json(found, follower.problems))
    else:
        show_text(render_status(found, per))
        warn(follower.problems)
    return 0


def _watch(follower: Follower, store: str, per: str) -> int:
    """Follow a run until nothing more happens by itself; returns the exit status that it ended with."""
    from rich.live import Live

    from orchestrator.adapters.report.status_text import render_status
    from orchestrator.engine.status import Journal, status_of
    from orchestrator.wiring import views

    screen = console()
    if not screen.is_terminal:
        return _exit_status(_log(follower, store), store)
    journal = Journal()
    found = status_of(follower.look(), store_words(store), journal)
    with Live(render_status(found, per), console=screen, auto_refresh=False) as live:
        while not found.over:
            views.pause(1.0)
            found = status_of(follower.look(), store_words(store), journal)
            live.update(render_status(found, per), refresh=True)
        live.transient = True
    show_text(render_status(found, per))  # whole: while it moves, lines end where the screen does
    return _exit_status(found, store)


def _log(follower: Follower, store: str) -> Status:
    """Print a line for each change, with the time in UTC."""
    from orchestrator.adapters.report.status_text import status_line
    from orchestrator.engine.status import Journal, status_of
    from orchestrator.units import utc_text
    from orchestrator.wiring import views

    said, journal = "", Journal()
    while True:
        glance = follower.look()
        found = status_of(glance, store_words(store), journal)
        if (line := status_line(found)) != said:
            click.echo(f"{utc_text(glance.now_s)}  {line}")
            said = line
        if found.over:
            return found
        views.pause(1.0)


def _exit_status(found: Status, store: str) -> int:
    """The exit status that ``run`` or ``resume`` ended with, as far as the store tells."""
    from orchestrator.cli.exit_status import FAILED, INTERRUPTED, exit_status
    from orchestrator.wiring import views

    if found.state in {"crashed", "not put back", "given up"}:
        return FAILED
    if found.state == "interrupted":
        return INTERRUPTED
    return exit_status(views.run_view(found.run if "/" not in found.location else found.location, store, "second"))
