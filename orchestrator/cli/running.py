"""The verbs that measure: check, run, resume."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli import completing
from orchestrator.cli.exit_status import FAILED, INTERRUPTED, STATED, UNDECIDED, exit_status
from orchestrator.cli.measuring import begin, lab_option, output_options, say_how_to_go_on, time_options
from orchestrator.cli.output import console, json_option, show_json, show_text, store_words, warn
from orchestrator.cli.pages import Page

if TYPE_CHECKING:
    from orchestrator.wiring.repeating import AgainstOriginal

_plan = click.argument("plan", type=click.Path(path_type=Path), shell_complete=completing.plans)


@click.command(cls=Page, short_help="Tell what a plan would do; touches nothing.")
@_plan
@lab_option
@time_options
@click.option("--probe", is_flag=True, help="Also log in to host and guest and report readiness, line by line.")
@json_option
def check(
    plan: Path,
    lab: Path | None,
    at: str | None,
    until: str | None,
    lasting: str | None,
    *,
    probe: bool,
    as_json: bool,
) -> int:
    """Validate PLAN and tell what it would do; touches nothing.

    Prints the cells, the order of the trials, the time it takes (least and most), what will be powered off and
    reconfigured, and the cautions; with --until or --for also how many whole blocks fit into that time. All mistakes in
    plan and lab are told at once, each with its line and column.

    Operands:
      PLAN  A plan, in YAML.

    Examples:
      trialbed check plans/first.yaml
      trialbed check plans/first.yaml --probe
      trialbed check plans/night.yaml --at 19:00 --until 06:30
      trialbed check plans/night.yaml --lab plans/labs/simulated.yaml --json

    Exit status:
      0  The plan can be run.
      2  Plan or lab are wrong, or run would refuse them.
      4  With --probe: host or guest is not ready.

    Files and environment:
      LAB             The lab that the plan names, beside it.
      TRIALBED_LEASES  With --probe: where this machine's leases are looked for.

    Related commands:
      trialbed run, trialbed schema, trialbed leases
    """
    from orchestrator.adapters.local_time import Asked
    from orchestrator.adapters.report.check_text import forecast_json, render_forecast, render_readiness
    from orchestrator.wiring import plans

    loaded = plans.load_plan(plan, lab)
    view = plans.forecast_of(loaded, Asked(until, lasting, at))
    readiness = plans.probe_of(loaded) if probe else None
    if as_json:
        show_json(forecast_json(view, readiness))
    else:
        show_text(render_forecast(view))
        if readiness is not None:
            show_text(render_readiness(readiness))
    if readiness is not None and any(line.state == "not ready" for line in readiness):
        return 4
    return 2 if view.refusals else 0


@click.command(cls=Page, short_help="Run a plan and reach the verdict.")
@_plan
@lab_option
@time_options
@output_options
def run(
    plan: Path,
    lab: Path | None,
    at: str | None,
    until: str | None,
    lasting: str | None,
    store: str,
    per: str,
    *,
    quiet: bool,
    as_json: bool,
) -> int:
    """Run PLAN: every trial in its order, then the verdict; the guest is put back whatever happens.

    Ctrl-C once finishes the trial in hand and puts the guest back; twice stops at once and still puts it back.

    With --until or --for the run ends so that the guest is back by then, after whole blocks where it can (the earlier
    where both are given); `trialbed resume` goes on another night. With --at it waits, having refused all that can be
    refused; Ctrl-C ends the waiting with nothing touched.

    Operands:
      PLAN  A plan, in YAML.

    Examples:
      trialbed run plans/first.yaml
      trialbed run plans/night.yaml --at 19:00 --until 06:30
      trialbed run plans/night.yaml --quiet --store /srv/results
      trialbed --plain run plans/night.yaml > night.log

    Exit status:
      0    Every question of the plan has its answer.
      1    For one of them no shape can be recommended.
      3    Trials failed, it gave up, or the guest could not be put back.
      4    The lab cannot be reached or is in use; nothing was changed.
      130  Interrupted; the guest was put back.

    Files and environment:
      LAB              The lab that the plan names, beside it.
      TRIALBED_STORE   The store, where --store is not given.
      TRIALBED_LEASES  Where this machine's leases are kept.

    Related commands:
      trialbed check, trialbed status, trialbed resume, trialbed show
    """
    from orchestrator.wiring import plans

    loaded = plans.load_plan(plan, lab)
    outcome = begin(loaded, at=at, until=until, lasting=lasting, store=store, per=per, quiet=quiet, plain=as_json)
    return conclude(outcome, store, per, as_json=as_json)


@click.command(cls=Page, short_help="Go on with an interrupted run.")
@click.argument("run_id", metavar="RUN", shell_complete=completing.runs)
@click.option(
    "--lab",
    type=click.Path(path_type=Path),
    shell_complete=completing.labs,
    help="Go on in this lab instead of the one that the run keeps.",
)
@click.option("--accept-changes", is_flag=True, help="Go on although something is not as it was; it is noted.")
@time_options
@output_options
def resume(
    run_id: str,
    lab: Path | None,
    at: str | None,
    until: str | None,
    lasting: str | None,
    store: str,
    per: str,
    *,
    accept_changes: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Go on with an interrupted RUN; finished trials are kept.

    Plan, lab, the workloads' files, the guests' definitions and this program have to be what they were when the run
    began. What is not is listed, and nothing is touched; --accept-changes goes on with it and notes it with the run. A
    plan that gives other trials is never accepted. --until, --for and --at are those of `trialbed run`; what the plan
    says of its start was for the first night.

    Operands:
      RUN  A run's id, the beginning of one, `last`, or the path of its folder.

    Examples:
      trialbed resume last
      trialbed resume last --until 06:30
      trialbed resume last --lab labs/moved.yaml --accept-changes

    Exit status:
      0, 1, 3, 4, 130  As trialbed run.

    Files and environment:
      TRIALBED_STORE   The store, where --store is not given.
      TRIALBED_LEASES  Where this machine's leases are kept.

    Related commands:
      trialbed run, trialbed status, trialbed restore
    """
    from orchestrator.adapters.local_time import Asked
    from orchestrator.wiring import going_on, job

    screen = job.Screen(console(errors=as_json), console(errors=True), per, quiet)
    outcome = going_on.run_again(run_id, store, screen, lab, accept=accept_changes, asked=Asked(until, lasting, at))
    return conclude(outcome, store, per, as_json=as_json)


def conclude(run_id: str, store: str, per: str, *, as_json: bool) -> int:
    """Show what a run has come to, and turn it into the exit status; a repetition is set against its original."""
    from orchestrator.adapters.report.json_out import run_json
    from orchestrator.adapters.report.plain import safe
    from orchestrator.adapters.report.text import Text
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
    from orchestrator.core.verdict.words import capital
    from orchestrator.wiring import repeating, views

    view = views.run_view(run_id, store, per)
    against = repeating.against_original(view.run, per)
    if as_json:
        verdict = {"verdict": verdict_json(view.verdict, view.time)}
        show_json(run_json(view.run, view.environment, view.problems) | verdict | _against_json(against))
    else:
        title, kind = view.run.record.title, view.run.record.guest_kind
        if view.run.look is not None:
            show_text(Text(f"{capital(safe(view.run.look.told, 1000))}\n"))
        show_text(render_verdict(view.verdict, per=per, guest_kind=kind, title=title, time=view.time))
        _show_against(against)
        click.echo(f"\nKept in {view.run.location}; look again with: trialbed show {run_id}{store_words(store)}")
    warn(view.problems)
    say_how_to_go_on(view, run_id, store)
    status = exit_status(view)
    if against is None or status in {FAILED, INTERRUPTED}:
        return status
    if against.found is None or against.found.repetition is None:
        warn([f"not set against the original: {against.why_not}"])
        return UNDECIDED
    return STATED[against.found.repetition.term]


def _show_against(against: AgainstOriginal | None) -> None:
    from orchestrator.adapters.report.compare_text import render_comparison

    if against is not None and against.found is not None:
        click.echo()
        show_text(render_comparison(against.found))


def _against_json(against: AgainstOriginal | None) -> dict[str, Any]:
    from orchestrator.adapters.report.compare_json import comparison_json

    return {} if against is None or against.found is None else {"comparison": comparison_json(against.found)}
