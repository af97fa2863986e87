"""What the verbs that run a plan share: their options, how a run is begun, and how one that ended early goes on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from orchestrator.cli import completing
from orchestrator.cli.output import console, json_option, per_option, store_option, store_words

if TYPE_CHECKING:
    from orchestrator.adapters.plan_file import Loaded
    from orchestrator.wiring.views import RunView

_Command = TypeVar("_Command", bound=Callable[..., Any])

lab_option = click.option(
    "--lab",
    type=click.Path(path_type=Path),
    shell_complete=completing.labs,
    help="Use this lab instead of the one the plan names.",
)
until_option = click.option(
    "--until", metavar="TIME", help="End by this local time: 06:30, or with a date 2026-11-29T06:30."
)
for_option = click.option("--for", "lasting", metavar="DURATION", help="End after so long: 9 h, '1 h 30 min'.")
at_option = click.option("--at", metavar="TIME", help="Begin at this local time, the next that comes; 'now': at once.")
quiet_option = click.option("--quiet", "-q", is_flag=True, help="No progress; the result and notices only.")


def time_options(command: _Command) -> _Command:
    """--at, --until and --for."""
    return at_option(until_option(for_option(command)))


def output_options(command: _Command) -> _Command:
    """--store, --per, --quiet and --json."""
    return store_option(per_option(quiet_option(json_option(command))))


def begin(
    loaded: Loaded,
    *,
    at: str | None,
    until: str | None,
    lasting: str | None,
    store: str,
    per: str,
    quiet: bool,
    plain: bool,
) -> str:
    """Run a plan by these options and see it through; returns the run's id.

    Args:
        loaded: the plan with its lab.
        at: when it begins, as :mod:`orchestrator.adapters.local_time` reads it.
        until: when it has to be over, likewise.
        lasting: after how long it has to be over, likewise.
        store: the results folder.
        per: period of the rates in the progress.
        quiet: whether no progress is shown.
        plain: whether standard output is for a program, so that progress goes to standard error.
    """
    from orchestrator.adapters.local_time import Asked
    from orchestrator.wiring import beginning, job

    screen = job.Screen(console(errors=plain), console(errors=True), per, quiet)
    return beginning.run_new(loaded, store, screen, Asked(until, lasting, at))


def say_how_to_go_on(view: RunView, run_id: str, store: str, then: str = "") -> None:
    """Of a run that ended before its last trial: why, and the command that goes on with it."""
    from orchestrator.adapters.report.plain import safe

    if view.run.state == "done":
        return
    why = f": {safe(view.run.why)}" if view.run.why else ""
    first = "once that is mended, " if view.run.state == "given up" else ""
    go_on = f"go on with: trialbed resume {run_id}{store_words(store)}{then}"
    click.echo(f"{view.run.state}{why}; {first}{go_on}", err=True)
