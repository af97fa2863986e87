"""The verbs that measure: check, run, resume."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.output import console, json_option, per_option, show_json, show_text, store_option, warn

_plan = click.argument("plan", type=click.Path(path_type=Path))
_lab = click.option("--lab", type=click.Path(path_type=Path), help="Use this lab instead of the one the plan names.")
_quiet = click.option("--quiet", "-q", is_flag=True, help="No progress; the result and notices only.")


@click.command(short_help="Tell what a plan would do; touches nothing.")
@_plan
@_lab
@click.option("--probe", is_flag=True, help="Also log in to host and guest and report readiness, line by line.")
@json_option
def check(plan: Path, lab: Path | None, probe: bool, as_json: bool) -> int:
    """Validate PLAN and tell what it would do; touches nothing.

    Prints the cells, the order of the trials, the time it takes (least and most), what will be powered off and
    reconfigured, and the cautions.

    \b
    Examples:
      trialbed check plans/first.yaml
      trialbed check plans/first.yaml --probe
      trialbed check plans/night.yaml --lab labs/mine.yaml --json
    """
    from orchestrator import wiring
    from orchestrator.adapters.report.check_text import forecast_json, render_forecast, render_readiness

    loaded = wiring.load_plan(plan, lab)
    view = wiring.forecast_of(loaded)
    readiness = wiring.probe_of(loaded) if probe else None
    if as_json:
        show_json(forecast_json(view, readiness))
    else:
        show_text(render_forecast(view))
        if readiness is not None:
            show_text(render_readiness(readiness))
    if readiness is not None and any(line.state == "not ready" for line in readiness):
        return 4
    return 2 if view.refusals else 0


@click.command(short_help="Run a plan and reach the verdict.")
@_plan
@_lab
@store_option
@per_option
@_quiet
@json_option
def run(plan: Path, lab: Path | None, store: str, per: str, quiet: bool, as_json: bool) -> int:
    """Run PLAN: every trial in its order, then the verdict; the guest is put back whatever happens.

    Ctrl-C once finishes the trial in hand and puts the guest back; twice stops at once and still puts it back.

    \b
    Examples:
      trialbed run plans/first.yaml
      trialbed run plans/night.yaml --quiet --store /srv/results
    """
    from orchestrator import wiring

    loaded = wiring.load_plan(plan, lab)
    outcome = wiring.run_new(loaded, store, wiring.Screen(console(errors=as_json), console(errors=True), per, quiet))
    return _conclude(outcome, store, per, as_json=as_json)


@click.command(short_help="Go on with an interrupted run.")
@click.argument("run_id", metavar="RUN")
@store_option
@per_option
@_quiet
@json_option
def resume(run_id: str, store: str, per: str, quiet: bool, as_json: bool) -> int:
    """Go on with an interrupted RUN (an id, the beginning of one, or `last`); finished trials are kept.

    \b
    Example:
      trialbed resume last
    """
    from orchestrator import wiring

    outcome = wiring.run_again(run_id, store, wiring.Screen(console(errors=as_json), console(errors=True), per, quiet))
    return _conclude(outcome, store, per, as_json=as_json)


def _conclude(run_id: str, store: str, per: str, *, as_json: bool) -> int:
    """Show what a run has come to, and turn it into the exit status."""
    from rich.text import Text

    from orchestrator import wiring
    from orchestrator.adapters.report.json_out import run_json
    from orchestrator.adapters.report.plain import safe
    from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
    from orchestrator.core.verdict.words import capital

    view = wiring.run_view(run_id, store, per)
    if as_json:
        show_json(
            run_json(view.run, view.environment, view.problems) | {"verdict": verdict_json(view.verdict, view.time)}
        )
    else:
        title, kind = view.run.record.title, view.run.record.guest_kind
        if view.run.look is not None:
            show_text(Text(f"{capital(safe(view.run.look.told, 1000))}\n"))
        show_text(render_verdict(view.verdict, per=per, guest_kind=kind, title=title, time=view.time))
        click.echo(f"\nKept in {view.run.location}; look again with: trialbed show {run_id}{_store_words(store)}")
    warn(view.problems)
    if view.run.state != "done":
        click.echo(f"interrupted; go on with: trialbed resume {run_id}{_store_words(store)}", err=True)
        return 130
    if any(trial.outcome == "failed" for trial in view.run.trials):
        return 3
    asked = {(planned.workload, planned.threads) for planned in view.run.record.trials}
    answered = {(found.workload, found.threads) for found in view.verdict.recommendations}
    return 0 if asked <= answered else 1


def _store_words(store: str) -> str:
    return "" if store == "results" else f" --store {store}"
