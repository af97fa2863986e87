"""Where the commands write: a console for people, plain JSON for programs."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from pandas import DataFrame
    from rich.console import Console, RenderableType

#: Asks for a defect's trace.
TRACE = "TRIALBED_TRACE"
#: Where the context of a command keeps that its output is to be plain.
_PLAIN = "orchestrator.plain"

per_option = click.option(
    "--per",
    type=click.Choice(["second", "minute", "hour"]),
    default="second",
    show_default=True,
    help="Period of the rates that are shown.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON value for programs instead of text.")
explain_option = click.option(
    "--explain", is_flag=True, help="Also tell how the answer was reached: each step, its figures, and its source."
)
store_option = click.option(
    "--store",
    type=click.Path(file_okay=False, readable=False),  # the store tells it better
    default="results",
    show_default=True,
    envvar="TRIALBED_STORE",
    show_envvar=True,
    help="Folder of the runs.",
)


def store_words(store: str) -> str:
    """What a command has to be given to find a store, from a blank on; empty for the usual one."""
    return "" if store == "results" else f" --store {shlex.quote(store)}"


def plain_option(*, envvar: str | None = None) -> click.Option:
    """--plain, which the program and each of its commands take; what asks for it counts for all of a command line."""

    def note(context: click.Context, _: click.Parameter, asked: bool) -> None:
        if asked:
            context.meta[_PLAIN] = True

    return click.Option(
        ["--plain"],
        is_flag=True,
        envvar=envvar,
        expose_value=False,
        is_eager=True,
        callback=note,
        help="No colours, nothing that moves, and signs in ASCII only.",
    )


def is_plain() -> bool:
    """Whether the command at work was asked for plain output, by --plain or TRIALBED_PLAIN."""
    context = click.get_current_context(silent=True)
    return context is not None and _PLAIN in context.meta


def console(*, errors: bool = False) -> Console:
    """A console on standard output or standard error."""
    from orchestrator.adapters.report.screen import screen

    return screen(sys.stderr if errors else sys.stdout, plain=is_plain())


def show_text(view: RenderableType) -> None:
    """Print for people; where no terminal needs them, the blanks that fill up a line are left out.

    What may not be broken up, such as a line for a shell, may be longer than the page is wide.
    """
    from rich.console import Group

    screen, page = console(), Group(view)
    if screen.is_terminal:
        screen.print(page, crop=False)
        return
    with screen.capture() as capture:
        screen.print(page, crop=False)
    click.echo("\n".join(line.rstrip() for line in capture.get().splitlines()))


def show_json(value: Any) -> None:
    """Print for programs: keys in a stable order, never NaN."""
    from orchestrator.adapters.report.json_out import to_json

    click.echo(to_json(value))


def show_csv(table: DataFrame, problems: Sequence[str]) -> None:
    """Print for spreadsheets."""
    from orchestrator.adapters.report.tables import to_csv

    click.echo(to_csv(table), nl=False)
    warn(problems)


def warn(problems: Sequence[str]) -> None:
    """Say on standard error what was found damaged; the rest is shown all the same."""
    for problem in problems:
        click.echo(f"trialbed: {problem}", err=True)
