"""The verb that sets runs against each other: compare. It changes no run."""

from __future__ import annotations

import click

from orchestrator.cli import completing
from orchestrator.cli.output import json_option, per_option, show_csv, show_json, show_text, store_option, warn
from orchestrator.cli.pages import Page
from orchestrator.cli.reading import Number

accept_option = click.option(
    "--accept-changes", is_flag=True, help="Compare a cell although its workload's files are not the same."
)
markdown_option = click.option(
    "--markdown", "as_markdown", is_flag=True, help="Print Markdown instead, to paste into an issue tracker."
)
junit_option = click.option(
    "--junit",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="Also write a JUnit report to FILE, a test case a cell, for what shows the results of tests.",
)


@click.command(cls=Page, short_help="Set runs against each other, cell by cell.")
@click.argument("base", metavar="BASE", shell_complete=completing.baselines_and_runs)
@click.argument("new", metavar="NEW...", nargs=-1, required=True, shell_complete=completing.runs)
@store_option
@click.option(
    "--margin",
    type=Number(0, 100, min_open=True, max_open=True),
    help="Smallest difference in throughput that matters, in percent.  [default: that of BASE's plan]",
)
@click.option(
    "--confidence",
    type=Number(50, 99.99),
    help="Confidence for all cells together, in percent.  [default: that of BASE's plan]",
)
@accept_option
@per_option
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print a table instead: a row a cell.")
@markdown_option
@junit_option
def compare(
    base: str,
    new: tuple[str, ...],
    *,
    store: str,
    margin: float | None,
    confidence: float | None,
    accept_changes: bool,
    per: str,
    as_json: bool,
    as_csv: bool,
    as_markdown: bool,
    junit: str | None,
) -> int:
    """Set each NEW run against BASE, cell by cell: faster, slower, equivalent or undecided.

    Cells belong together where shape, workload and threads are the same, whatever they are called. What else is not the
    same in host, guest and method is shown beside it, the likeliest to matter first. The exit status is 0 whatever the
    answer; `trialbed guard` makes a verdict of it.

    Operands:
      BASE  A run, or the name of a baseline.
      NEW   Runs: an id, the beginning of one, `last`, or the path of a folder.

    Examples:
      trialbed compare 20261120 last
      trialbed compare before-upgrade last --per minute --markdown
      trialbed compare 20261120 20261127 20261204 --margin 5 --csv > change.csv
      trialbed compare before-upgrade last --junit comparison.xml

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed guard, trialbed baseline, trialbed history, trialbed list
    """
    forms = {"--json": as_json, "--csv": as_csv, "--markdown": as_markdown}
    if len(chosen := [option for option, wanted in forms.items() if wanted]) > 1:
        raise click.UsageError(f"{' and '.join(chosen)} exclude each other")
    from orchestrator.adapters.report.compare_file import check_report_file, write_report
    from orchestrator.wiring.comparing import Terms, compared

    if junit is not None:
        check_report_file(junit)
    terms = Terms(
        per,
        margin=None if margin is None else margin / 100,
        confidence=None if confidence is None else confidence / 100,
        accept_changed_files=accept_changes,
    )
    view = compared(base, new, store, terms)
    if junit is not None:
        from orchestrator.adapters.report.compare_junit import junit_xml

        write_report(junit, junit_xml(view.found, name=f"against {view.base_called or base}"))
    if as_json:
        from orchestrator.adapters.report.compare_json import comparisons_json

        show_json(comparisons_json(view.found, view.problems))
        return 0
    if as_csv:
        from orchestrator.adapters.report.compare_csv import comparisons_table

        show_csv(comparisons_table(view.found), view.problems)
        return 0
    if as_markdown:
        from orchestrator.adapters.report.compare_markdown import comparisons_markdown

        click.echo(comparisons_markdown(view.found, base_called=view.base_called), nl=False)
    else:
        from orchestrator.adapters.report.compare_text import render_comparisons

        show_text(render_comparisons(view.found, base_called=view.base_called))
    warn(view.problems)
    return 0
