"""The verbs that read: list, show, read, judge, schema. None of them changes anything."""

from __future__ import annotations

import sys
from pathlib import Path

import click
from click.core import ParameterSource

from orchestrator.cli.output import json_option, per_option, show_csv, show_json, show_text, store_option, warn

#: A series of a reading every 100 ms over a month is smaller.
_MOST_BYTES = 256 * 2**20

_confidence = click.option(
    "--confidence",
    type=click.FloatRange(50, 99.99),
    default=95.0,
    show_default=True,
    help="Confidence of the intervals, in percent.",
)


@click.command("list", short_help="List the runs in the store.")
@store_option
@json_option
def list_runs(store: str, as_json: bool) -> int:
    """List the runs in the store, oldest first.

    \b
    Example:
      trialbed list
    """
    from orchestrator import wiring
    from orchestrator.adapters.report.json_out import runs_json
    from orchestrator.adapters.report.runs_text import render_runs

    runs, problems = wiring.stored_runs(store)
    if as_json:
        show_json(runs_json(runs, problems))
    else:
        show_text(render_runs(runs))
        warn(problems)
    return 0


@click.command(short_help="Show a run with its verdict, or one trial.")
@click.argument("run_id", metavar="RUN")
@click.argument("trial", required=False)
@store_option
@per_option
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print a table: a row a trial, or of TRIAL a row an interval.")
def show(run_id: str, trial: str | None, store: str, per: str, as_json: bool, as_csv: bool) -> int:
    """Show a RUN with its verdict, or one TRIAL of it with its series, clocks and checks.

    RUN is an id, the beginning of one, or `last`. TRIAL is its number or its id.

    \b
    Examples:
      trialbed show last
      trialbed show last 7
      trialbed show 20261125 --json
      trialbed show last 7 --csv > trial-7.csv
    """
    from orchestrator import wiring
    from orchestrator.adapters.report.json_out import run_json, trial_json
    from orchestrator.adapters.report.run_text import render_run
    from orchestrator.adapters.report.trial_text import render_trial
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json

    if as_json and as_csv:
        raise click.UsageError("--json and --csv exclude each other")
    if as_csv:
        from orchestrator.adapters.report import tables
    if trial is not None:
        stored, record, data, problems = wiring.trial_view(run_id, trial, store)
        if as_csv:
            show_csv(tables.series_table(stored, record, data), problems)
        elif as_json:
            show_json(trial_json(stored, record, data, problems))
        else:
            asked = click.get_current_context().get_parameter_source("per") is not ParameterSource.DEFAULT
            show_text(render_trial(stored, record, data, problems, per if asked else None))
        return 0
    view = wiring.run_view(run_id, store, per)
    if as_csv:
        show_csv(tables.trials_table(view.run), view.problems)
    elif as_json:
        show_json(run_json(view.run, view.environment, view.problems) | {"verdict": verdict_json(view.verdict)})
    else:
        verdict = render_verdict(view.verdict, per=per, guest_kind=view.run.record.guest_kind, title="Verdict")
        show_text(render_run(view.run, verdict, view.environment, view.problems))
    return 0


@click.command(short_help="Measure throughput logs you already have.")
@click.argument("series", nargs=-1, required=True, metavar="SERIES.csv...")
@_confidence
@json_option
def read(series: tuple[str, ...], confidence: float, as_json: bool) -> int:
    """Measure throughput logs you already have: steady or not and why, warm-up, mean and interval.

    A series holds one value a line, or time,value; `-` is standard input. The exit status is 1 when a series is not
    steady.

    \b
    Examples:
      trialbed read bookings-per-second.csv
      grep -o 'tps=[0-9.]*' load.log | cut -d= -f2 | trialbed read -
    """
    from orchestrator.adapters.readings.series import read_log_text
    from orchestrator.adapters.report.reading_text import reading_json, render_reading
    from orchestrator.engine.read_series import read_series

    results = read_series([read_log_text(name, _bytes(name)) for name in series], confidence / 100)
    for result in results:
        if as_json:
            show_json(reading_json(result))
        else:
            show_text(render_reading(result))
    return 0 if all(result.reading.steady for result in results) else 1


@click.command(short_help="Judge readings collected by hand.")
@click.argument("table", metavar="TABLE.csv")
@click.option(
    "--margin",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    default=3.0,
    show_default=True,
    help="Smallest difference in throughput that matters, in percent.",
)
@_confidence
@per_option
@json_option
def judge(table: str, margin: float, confidence: float, per: str, as_json: bool) -> int:
    """Judge readings collected by hand: which shape fits, and what the readings cannot show.

    TABLE.csv has the columns shape, vcpus, threads, throughput, and where you have them workload, memory, block, run,
    wait and idle (percent of one vCPU's time); `-` is standard input. --per tells the period of its throughput column.

    \b
    Example:
      trialbed judge readings.csv --per minute
    """
    from orchestrator.adapters.readings.table import read_table
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
    from orchestrator.core.verdict.rule import Rule
    from orchestrator.engine.judge import judge_readings

    verdict = judge_readings(read_table(table, _bytes(table), per=per), Rule(margin / 100, confidence / 100, per))
    if as_json:
        show_json(verdict_json(verdict))
    else:
        show_text(render_verdict(verdict, per=per, guest_kind=None, title="Readings taken by hand"))
    return 0 if verdict.recommendations else 1


@click.command(short_help="Print the JSON Schema of plans or labs.")
@click.argument("which", type=click.Choice(["plan", "lab"]))
def schema(which: str) -> int:
    """Print the JSON Schema (2020-12) of plans or labs, for editors.

    \b
    Example:
      trialbed schema plan > plan.schema.json
    """
    from orchestrator.adapters.schema import schema_text

    click.echo(schema_text(which), nl=False)
    return 0


def _bytes(name: str) -> bytes:
    """The content of a file, or of standard input for ``-``."""
    from orchestrator.errors import InputError, Problem

    try:
        if name == "-":
            content = sys.stdin.buffer.read(_MOST_BYTES + 1)
        else:
            with Path(name).open("rb") as file:
                content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise InputError([Problem(name, "", f"cannot be read ({error.strerror}); check the path")]) from error
    if len(content) > _MOST_BYTES:
        message = f"is larger than {_MOST_BYTES // 2**20} MiB, which no readings are; check that it is the right file"
        raise InputError([Problem(name, "", message)])
    return content
