"""The verbs that read: list, show, read, judge, schema. None of them changes anything."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, TypeVar

import click
from click.core import ParameterSource

from orchestrator.cli import completing
from orchestrator.cli.output import (
    explain_option,
    json_option,
    per_option,
    show_csv,
    show_json,
    show_text,
    store_option,
    warn,
)
from orchestrator.cli.pages import Page

_Command = TypeVar("_Command", bound=Callable[..., Any])


class Number(click.FloatRange):
    """A number within bounds; ``nan``, which lies nowhere, is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a message."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a number", param, ctx)
        return number


_confidence = click.option(
    "--confidence",
    type=Number(50, 99.99),
    default=95.0,
    show_default=True,
    help="Confidence of the intervals, in percent.",
)


def _price(what: str, meaning: str) -> Callable[[_Command], _Command]:
    """An option for the price of something that a shape has."""
    return click.option(f"--price-{what}", type=Number(0, 1e12), default=0.0, help=meaning, metavar="PRICE")


@click.command("list", cls=Page, short_help="List the runs in the store.")
@store_option
@json_option
def list_runs(store: str, as_json: bool) -> int:
    """List the runs in the store, oldest first.

    Each run has two lines: the name to type, when it began, its trials and its state; then what it was about.

    Examples:
      trialbed list
      trialbed list --store /srv/results
      trialbed list --json

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.
      .index.sqlite   In the store: makes listings fast, and may be deleted.

    Related commands:
      trialbed show, trialbed status, trialbed history
    """
    from orchestrator.adapters.report.json_out import runs_json
    from orchestrator.adapters.report.runs_text import render_runs
    from orchestrator.wiring import views

    runs, problems = views.stored_runs(store)
    if as_json:
        show_json(runs_json(runs, problems))
    else:
        show_text(render_runs(runs))
        warn(problems)
    return 0


@click.command(cls=Page, short_help="Show a run with its verdict, or one trial.")
@click.argument("run_id", metavar="RUN", shell_complete=completing.runs)
@click.argument("trial", required=False, shell_complete=completing.trials)
@store_option
@per_option
@explain_option
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print a table: a row a trial, or of TRIAL a row an interval.")
def show(run_id: str, trial: str | None, store: str, per: str, *, explain: bool, as_json: bool, as_csv: bool) -> int:
    """Show a RUN with its verdict, or one TRIAL of it with its series, clocks and checks.

    The verdict is worked out anew from what is stored, by the rule of the run's plan.

    Operands:
      RUN  A run's id, the beginning of one, `last`, or the path of its folder.
      TRIAL  Its number or its id.

    Examples:
      trialbed show last
      trialbed show last --explain
      trialbed show last 7
      trialbed show 20261125 --json
      trialbed show last 7 --csv > trial-7.csv

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed list, trialbed compare, trialbed verify, trialbed pack
    """
    if as_csv and (as_json or explain):
        raise click.UsageError(f"{'--json' if as_json else '--explain'} and --csv exclude each other")
    form = "csv" if as_csv else "json" if as_json else "text"
    if trial is not None:
        _show_trial(run_id, trial, store, per, form, explain=explain)
    else:
        _show_run(run_id, store, per, form, explain=explain)
    return 0


def _show_trial(run_id: str, trial: str, store: str, per: str, form: str, *, explain: bool) -> None:
    from orchestrator.adapters.report.json_out import trial_json
    from orchestrator.adapters.report.trial_text import render_trial
    from orchestrator.engine.explaining import explain_trial
    from orchestrator.wiring import views

    stored, record, data, problems = views.trial_view(run_id, trial, store)
    if form == "csv":
        from orchestrator.adapters.report import tables

        show_csv(tables.series_table(stored, record, data), problems)
        return
    steps = explain_trial(stored, record, data.throughput) if explain else ()
    if form == "json":
        show_json(trial_json(stored, record, data, problems, explanation=steps))
    else:
        show_text(render_trial(stored, record, data, problems, per if _given("per") else None, explanation=steps))


def _show_run(run_id: str, store: str, per: str, form: str, *, explain: bool) -> None:
    from orchestrator.adapters.report.json_out import run_json
    from orchestrator.adapters.report.run_text import render_run
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
    from orchestrator.wiring import views

    view = views.run_view(run_id, store, per, explain=explain)
    if form == "csv":
        from orchestrator.adapters.report import tables

        show_csv(tables.trials_table(view.run), view.problems)
    elif form == "json":
        found = verdict_json(view.verdict, view.time, view.explanation)
        show_json(run_json(view.run, view.environment, view.problems) | {"verdict": found})
    else:
        kind = view.run.record.guest_kind
        verdict = render_verdict(
            view.verdict, per=per, guest_kind=kind, title="Verdict", time=view.time, explanation=view.explanation
        )
        show_text(render_run(view.run, verdict, view.environment, view.problems))
    warn(views.not_back_words(view.run))


@click.command(cls=Page, short_help="Measure throughput logs you already have.")
@click.argument("series", nargs=-1, required=True, metavar="SERIES.csv...", shell_complete=completing.tables)
@_confidence
@explain_option
@json_option
def read(series: tuple[str, ...], confidence: float, explain: bool, as_json: bool) -> int:
    """Measure throughput logs you already have: steady or not and why, warm-up, mean and interval.

    Operands:
      SERIES.csv  One value a line, or time,value; `-` is standard input.

    Examples:
      trialbed read bookings-per-second.csv
      trialbed read bookings-per-second.csv --explain
      grep -o 'tps=[0-9.]*' load.log | cut -d= -f2 | trialbed read -

    Exit status:
      0  Every series is steady.
      1  One is not.

    Related commands:
      trialbed judge, trialbed import
    """
    from orchestrator.adapters.readings.files import content
    from orchestrator.adapters.readings.series import read_log_text
    from orchestrator.adapters.report.reading_text import reading_json, render_reading
    from orchestrator.engine.read_series import read_series

    results = read_series([read_log_text(name, content(name)) for name in series], confidence / 100, explain=explain)
    for result in results:
        if as_json:
            show_json(reading_json(result))
        else:
            show_text(render_reading(result))
    return 0 if all(result.reading.steady for result in results) else 1


@click.command(cls=Page, short_help="Judge readings collected by hand.")
@click.argument("table", metavar="TABLE.csv", shell_complete=completing.tables)
@click.option(
    "--margin",
    type=Number(0, 100, min_open=True, max_open=True),
    default=3.0,
    show_default=True,
    help="Smallest difference in throughput that matters, in percent.",
)
@_confidence
@_price("vcpu", "Price of one vCPU, to see which shape gives the most for its price.")
@_price("memory", "Price of 1 GiB of memory, likewise.")
@click.option("--price-unit", default="units of cost", show_default=True, help="What the prices are in: 'EUR an hour'.")
@click.option(
    "--blocks-at-most",
    type=click.IntRange(2, 1000),
    metavar="N",
    help="You look after each few blocks and stop once decided, at the latest after N: keeps the error over all looks.",
)
@click.option(
    "--blocks-at-least",
    type=click.IntRange(2, 1000),
    metavar="N",
    default=3,
    show_default=True,
    help="Beside --blocks-at-most: the first look is after N blocks.",
)
@per_option
@explain_option
@json_option
def judge(
    table: str,
    *,
    margin: float,
    confidence: float,
    price_vcpu: float,
    price_memory: float,
    price_unit: str,
    blocks_at_most: int | None,
    blocks_at_least: int,
    per: str,
    explain: bool,
    as_json: bool,
) -> int:
    """Judge readings collected by hand: which shape fits, and what the readings cannot show.

    Operands:
      TABLE.csv  Columns shape, vcpus, threads, throughput, and where you have them workload, memory, block, run, wait
                 and idle (percent of one vCPU's time); `-` is standard input. --per tells the period of throughput.

    Examples:
      trialbed judge readings.csv --per minute
      trialbed judge readings.csv --blocks-at-most 8
      trialbed judge readings.csv --explain
      trialbed judge prices.csv --price-vcpu 0.021 --price-unit "EUR an hour"

    Exit status:
      0  A shape is recommended.
      1  None can be.

    Related commands:
      trialbed import, trialbed read, trialbed show
    """
    from orchestrator.adapters.readings.files import content
    from orchestrator.adapters.readings.table import read_table
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
    from orchestrator.core.verdict.method import explain_verdict
    from orchestrator.core.verdict.price import Price
    from orchestrator.core.verdict.rule import Rule
    from orchestrator.core.verdict.verdict import verdict as judged
    from orchestrator.engine.judge import look_at

    if not (price_vcpu or price_memory) and _given("price_unit"):
        raise click.UsageError("--price-unit needs --price-vcpu or --price-memory beside it")
    if not price_unit.isprintable() or not price_unit.strip():
        raise click.UsageError("--price-unit is one line of printable text, such as 'EUR an hour'")
    price = Price(price_vcpu, price_memory, price_unit) if price_vcpu or price_memory else None
    planned = _looks(blocks_at_least, blocks_at_most)
    evidence = read_table(table, content(table), per=per)
    rule = Rule(margin / 100, confidence / 100, per, price=price, looks=planned)
    look = look_at(evidence, rule)
    verdict = judged(evidence, rule)
    steps = explain_verdict(evidence, rule, verdict) if explain else ()
    if as_json:
        beside = {} if look is None else {"look": asdict(look)}
        show_json(verdict_json(verdict, explanation=steps) | beside)
    else:
        title = "Readings taken by hand"
        said = "" if look is None else look.why
        show_text(render_verdict(verdict, per=per, guest_kind=None, title=title, look=said, explanation=steps))
    return 0 if verdict.recommendations else 1


@click.command(cls=Page, short_help="Print the JSON Schema of plans or labs.")
@click.argument("which", type=click.Choice(["plan", "lab"]))
def schema(which: str) -> int:
    """Print the JSON Schema (2020-12) of plans or labs, for editors.

    Operands:
      WHICH  plan or lab.

    Examples:
      trialbed schema plan > plan.schema.json
      trialbed schema lab > lab.schema.json

    Related commands:
      trialbed check
    """
    from orchestrator.adapters.schema import schema_text

    click.echo(schema_text(which), nl=False)
    return 0


def _given(option: str) -> bool:
    """Whether an option was written, and is not only the usual value."""
    return click.get_current_context().get_parameter_source(option) is not ParameterSource.DEFAULT


def _looks(at_least: int, at_most: int | None) -> tuple[int, ...] | None:
    """After how many blocks somebody looks; ``None`` where the number of blocks was fixed beforehand."""
    from orchestrator.core.verdict.inference.sequential import looks

    if at_most is None:
        if _given("blocks_at_least"):
            raise click.UsageError("--blocks-at-least needs --blocks-at-most beside it")
        return None
    if at_least > at_most:
        message = (
            f"--blocks-at-least {at_least} is more than --blocks-at-most {at_most}; lower the one or raise the other"
        )
        raise click.UsageError(message)
    return looks(at_least, at_most)
