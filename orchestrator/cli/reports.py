"""The verb that makes reports: report. It changes no run."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli import completing
from orchestrator.cli.output import per_option, store_option, warn
from orchestrator.cli.pages import Page

if TYPE_CHECKING:
    from orchestrator.adapters.report.charts.palette import Scheme
    from orchestrator.adapters.report.export.formats import Format

_FORMATS = ("html", "pdf", "png", "svg", "md", "csv", "xlsx")
_STANDARD_OUTPUT = Path("-")


@click.command(cls=Page, short_help="Make a report: a page, a PDF, a picture, tables.")
@click.argument("runs", metavar="RUN...", nargs=-1, required=True, shell_complete=completing.baselines_and_runs)
@click.option(
    "-o",
    "--output",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The file, or a folder for it; RUN.html in the current folder when left out; `-` is standard output.",
)
@click.option(
    "--format",
    "wished",
    type=click.Choice(_FORMATS),
    help="What it is to be.  [default: what the name of FILE ends in; else html]",
)
@click.option("--plot", metavar="ID", default="", help="Of png and svg: the one chart to draw, such as trial-7.")
@click.option(
    "--scheme", type=click.Choice(["light", "dark"]), default="light", show_default=True, help="Of png and svg."
)
@click.option("--replace", "replacing", is_flag=True, help="Write over a file that is there.")
@store_option
@per_option
def report(
    runs: tuple[str, ...],
    *,
    output: Path | None,
    wished: Format | None,
    plot: str,
    scheme: Scheme,
    replacing: bool,
    store: str,
    per: str,
) -> int:
    """Make a report of RUN in one file, to be read offline, printed, or handed on.

    Of one run it says what was answered and shows all of the evidence; of two, what changed from the first to the
    second; of more, how each cell did through them. The first of several may be the name of a baseline: each of the
    others is set against it. A run is an id, the beginning of one, `last`, or the path of its folder, and need not be
    at its end.

    A page (html) opens from disk and asks nobody for anything. A picture shows the answer and its charts, or one chart.
    csv is one flat table for programs: a row a trial, a cell, or a cell and run. The same run gives the same bytes.

    Operands:
      RUN  A run's id, the beginning of one, `last`, or the path of its folder; the first of several may be a baseline.

    Examples:
      trialbed report last
      trialbed report last -o ferries.pdf
      trialbed report last --plot trial-7 -o trial-7.png
      trialbed report before-upgrade last -o upgrade.html
      trialbed report 20261120 20261127 last -o autumn.xlsx
      trialbed report last --format md -o - | less

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.
      XDG_CACHE_HOME  Its trialbed keeps what draws charts in a page; ~/.cache where it is not set.

    Related commands:
      trialbed show, trialbed compare, trialbed history, trialbed pack
    """
    from orchestrator import output_file
    from orchestrator.adapters.report.export.formats import BINARY, PICTURES, format_of
    from orchestrator.wiring.exporting import Wish, make
    from orchestrator.wiring.reporting import asked

    folder = Path() if output is None else output if output.is_dir() else None
    form = format_of(output if folder is None and output != _STANDARD_OUTPUT else None, wished)
    if form not in PICTURES and (plot or scheme != "light"):
        raise click.UsageError(
            f"{'--plot' if plot else '--scheme'} is of png and svg, and this is to be {form}; "
            "ask for one of them by the name of the file, or with --format"
        )
    if output == _STANDARD_OUTPUT and form in BINARY and sys.stdout.isatty():
        raise click.UsageError(f"{form} is nothing that a terminal shows; name a file with --output, or use a pipe")
    what = asked(runs, store, per)
    target = folder / f"{what.name}.{form}" if folder is not None else output
    if target is None or target == _STANDARD_OUTPUT:
        made = make(what, Wish(form, plot, scheme))
        with contextlib.suppress(BrokenPipeError):  # who reads may leave before the end
            click.echo(made.content, nl=False)
    else:
        output_file.check(target, replacing=replacing)
        made = make(what, Wish(form, plot, scheme))
        with output_file.appearing(target, replacing=replacing) as file:
            file.write(made.content)
        _tell(target, len(made.content), made.holds)
    warn(made.remarks)
    return 0


def _tell(target: Path, size: int, holds: str) -> None:
    from orchestrator.adapters.report.plain import safe
    from orchestrator.units import format_size

    click.echo(f"{safe(str(target))}: {format_size(size)}, with {holds}")
