"""The verb history: a cell through the runs of a store. It changes no run."""

from __future__ import annotations

import click

from orchestrator.cli import completing
from orchestrator.cli.output import json_option, per_option, show_csv, show_json, show_text, store_option, warn
from orchestrator.cli.pages import Page


@click.command(cls=Page, short_help="Follow a cell through many runs.")
@click.argument("pattern", metavar="CELL-PATTERN", shell_complete=completing.cells)
@store_option
@per_option
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print a table: a row a run of each cell.")
def history(pattern: str, store: str, per: str, *, as_json: bool, as_csv: bool) -> int:
    """Follow a cell through all runs of the store: level, stepped or drifting, and what was upgraded on the way.

    Runs belong together that measured the same size and load on the same guest. Looked at after each new run, a cell
    that never changes will seem to at some time: what shows once more in the next runs is to be believed.

    Operands:
      CELL-PATTERN  The id of a cell, such as two-bookings-t2 (shape, workload, threads), or several with the wildcards
                    of a shell, in quotation marks.

    Examples:
      trialbed history two-bookings-t2
      trialbed history 'two-bookings-t*' --per minute
      trialbed history '*' --csv > history.csv

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.
      .index.sqlite   In the store: makes histories fast, and may be deleted.

    Related commands:
      trialbed compare, trialbed list
    """
    if as_csv and as_json:
        raise click.UsageError("--json and --csv exclude each other")
    from orchestrator.wiring.history import cell_histories

    cells, problems = cell_histories(pattern, store, per)
    if as_csv:
        from orchestrator.adapters.report.history_json import histories_table

        show_csv(histories_table(cells), problems)
    elif as_json:
        from orchestrator.adapters.report.history_json import histories_json

        show_json(histories_json(cells, problems))
    else:
        from orchestrator.adapters.report.history_text import render_histories

        show_text(render_histories(cells, per))
        warn(problems)
    return 0
