"""The verb import: readings taken by hand, or throughput logs, become a run of the store."""

from __future__ import annotations

import click

from orchestrator.cli import completing
from orchestrator.cli.output import json_option, per_option, show_json, show_text, store_option, store_words, warn
from orchestrator.cli.pages import Page


@click.command("import", cls=Page, short_help="Make a run of readings or logs you already have.")
@click.argument("table", metavar="TABLE.csv", shell_complete=completing.tables)
@click.option("--title", help="What the readings are about; the table's name where left out.")
@click.option("--guest", help="Name of the guest that was measured.")
@click.option("--when", metavar="DATE", help="When they were taken: 2026-03-01, or with a time 2026-03-01T20:15.")
@click.option("--note", help="What else whoever reads them has to know, in one line.")
@store_option
@per_option
@json_option
def import_run(
    table: str,
    title: str | None,
    guest: str | None,
    when: str | None,
    note: str | None,
    store: str,
    per: str,
    *,
    as_json: bool,
) -> int:
    """Make a run of readings you already have, so that they are listed, shown and compared like one measured here.

    Instead of throughput a line of the table may give log: the path, from the table on, of a log of throughput as
    `trialbed read` takes it, of which the steady part is found. --per tells the period of the figures in both. Table
    and logs are kept with the run, which says wherever it is shown that it was imported.

    Operands:
      TABLE.csv  The columns that `trialbed judge` takes, or log; `-` is standard input.

    Examples:
      trialbed import readings.csv --guest bookings-1 --when 2026-03-01
      trialbed import march.csv --per minute --title "Bookings, old hosts"
      trialbed compare last 20260301

    Exit status:
      0  Every load has its answer.
      1  One has none, such as when none of its logs is steady.

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed judge, trialbed read, trialbed compare
    """
    from orchestrator.adapters.report.imported_text import render_imported
    from orchestrator.adapters.report.json_out import run_json
    from orchestrator.adapters.report.verdict_text import verdict_json
    from orchestrator.cli.exit_status import exit_status
    from orchestrator.wiring import importing, views

    run, remarks = importing.import_table(table, store, per, importing.Told(title, guest, when, note))
    view = views.run_view(run, store, per)
    if as_json:
        found = verdict_json(view.verdict, view.time)
        show_json(run_json(view.run, view.environment, view.problems) | {"verdict": found})
        warn(remarks)
    else:
        show_text(render_imported(view.run, view.verdict.answer, remarks))
        click.echo(f"\nKept in {view.run.location}; look with: trialbed show {run}{store_words(store)}")
    warn(view.problems)
    return exit_status(view)
