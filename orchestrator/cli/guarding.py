"""The verbs that keep sizes true: baseline, guard."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli import completing
from orchestrator.cli.comparing import accept_option, junit_option, markdown_option
from orchestrator.cli.exit_status import FAILED, INTERRUPTED, UNDECIDED, exit_status
from orchestrator.cli.measuring import begin, lab_option, output_options, say_how_to_go_on, time_options
from orchestrator.cli.output import json_option, show_json, show_text, store_option, store_words, warn
from orchestrator.cli.pages import Page, Pages

if TYPE_CHECKING:
    from orchestrator.core.record.baseline import Baseline
    from orchestrator.wiring.guarding import GuardView

CHANGED = 1
_STATUSES = {"kept": 0, "worse": 1, "undecided": UNDECIDED}


@click.group(cls=Pages, short_help="Name runs to compare later ones with.")
def baseline() -> None:
    """Name runs of the store, to compare later ones with.

    A baseline is a name for one run or several; with several, what changes from run to run is part of every interval.
    Its runs stay where they are. A run that is gone or was changed since it was named is noticed.

    Examples:
      trialbed baseline set before-upgrade last
      trialbed baseline list
      trialbed guard plans/templates.yaml --against before-upgrade

    Files and environment:
      baselines/  In the store: a small file a baseline.

    Related commands:
      trialbed guard, trialbed compare
    """


@baseline.command("set", short_help="Give one run or several a name.")
@click.argument("name", metavar="NAME", shell_complete=completing.baselines)
@click.argument("runs", metavar="RUN...", nargs=-1, required=True, shell_complete=completing.runs)
@click.option("--note", default="", metavar="TEXT", help="A line beside it: what it stands for.")
@click.option("--replace", is_flag=True, help="Set it anew where the name is taken.")
@store_option
@json_option
def set_(name: str, runs: tuple[str, ...], note: str, store: str, *, replace: bool, as_json: bool) -> int:
    """Give one RUN or several the name NAME.

    Take several runs of the same plan where you have them, of other days best: a single run cannot tell what changes
    from run to run.

    Operands:
      NAME  Up to 40 letters, digits, '-', '_' and '.', beginning with a letter.
      RUN   A run's id, the beginning of one, `last`, or the path of its folder.

    Examples:
      trialbed baseline set before-upgrade last --note "kernel of November"
      trialbed baseline set before-upgrade 20261120 20261121 20261122 --replace

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed baseline show, trialbed guard
    """
    from orchestrator.adapters.report.baselines_text import baseline_json, render_baseline
    from orchestrator.wiring import guarding

    if note and not (note.isprintable() and note.strip() and len(note) <= 200):
        raise click.UsageError("--note is one line of printable text, at most 200 characters")
    view = guarding.set_baseline(store, name, runs, note, replace=replace)
    if as_json:
        show_json(baseline_json(view.baseline, view.runs, view.changes))
    else:
        show_text(render_baseline(view.baseline, view.runs, view.changes))
    return 0


@baseline.command("list", short_help="List the baselines of the store.")
@store_option
@json_option
def list_(store: str, as_json: bool) -> int:
    """List the baselines of the store, by name.

    Examples:
      trialbed baseline list
      trialbed baseline list --json

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed baseline show
    """
    from orchestrator.adapters.report.baselines_text import baselines_json, render_baselines
    from orchestrator.wiring import guarding

    views, problems = guarding.baseline_views(store)
    found = [(view.baseline, view.changes) for view in views]
    if as_json:
        show_json(baselines_json(found, problems))
    else:
        show_text(render_baselines(found))
        warn(problems)
    return 0


@baseline.command("show", short_help="Show a baseline and what became of its runs.")
@click.argument("name", metavar="NAME", shell_complete=completing.baselines)
@store_option
@json_option
def show_(name: str, store: str, as_json: bool) -> int:
    """Show baseline NAME: its runs, their cells, and whether they are as they were.

    Operands:
      NAME  The name that it was given.

    Examples:
      trialbed baseline show before-upgrade

    Exit status:
      0  Its runs are as they were.
      1  One is gone or was changed.

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed baseline set, trialbed verify
    """
    from orchestrator.adapters.report.baselines_text import baseline_json, render_baseline
    from orchestrator.wiring import guarding

    view = guarding.baseline_view(store, name)
    if as_json:
        show_json(baseline_json(view.baseline, view.runs, view.changes))
    else:
        show_text(render_baseline(view.baseline, view.runs, view.changes))
    return CHANGED if view.changes else 0


@baseline.command("remove", short_help="Forget a baseline; its runs stay.")
@click.argument("name", metavar="NAME", shell_complete=completing.baselines)
@store_option
def remove(name: str, store: str) -> int:
    """Forget baseline NAME; its runs stay.

    Operands:
      NAME  The name that it was given.

    Examples:
      trialbed baseline remove before-upgrade

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed baseline list
    """
    from orchestrator.wiring import guarding

    gone = guarding.baselines_of(store).remove(name)
    click.echo(f"baseline {gone.name} is forgotten; its runs stay: {', '.join(gone.ids)}")
    return 0


@click.command(cls=Page, short_help="Run a plan and say whether anything became slower.")
@click.argument("plan", required=False, type=click.Path(path_type=Path), shell_complete=completing.plans)
@click.option(
    "--against",
    metavar="NAME",
    required=True,
    shell_complete=completing.baselines,
    help="The baseline to hold the run against.",
)
@click.option(
    "--run",
    "run_id",
    metavar="RUN",
    shell_complete=completing.runs,
    help="Judge this run, which is there already; nothing is measured.",
)
@accept_option
@lab_option
@time_options
@output_options
@markdown_option
@junit_option
def guard(
    plan: Path | None,
    *,
    against: str,
    run_id: str | None,
    accept_changes: bool,
    lab: Path | None,
    at: str | None,
    until: str | None,
    lasting: str | None,
    store: str,
    per: str,
    quiet: bool,
    as_json: bool,
    as_markdown: bool,
    junit: str | None,
) -> int:
    """Run PLAN, hold the run against a baseline, and say whether anything became slower.

    Margin and confidence are the plan's. A plan with templates is a catalogue: each template has to keep its rank and
    its share of the next one as well. The other options are those of `trialbed run`. With --run no plan is run: a run
    that is there is judged, as after `trialbed resume`.

    Operands:
      PLAN  A plan, in YAML; or --run RUN in its place.

    Examples:
      trialbed guard plans/templates.yaml --against before-upgrade
      trialbed guard plans/night.yaml --against before-upgrade --until 06:30
      trialbed guard --run last --against before-upgrade --markdown
      trialbed guard --run last --against before-upgrade --junit guard.xml

    Exit status:
      0          No cell of the baseline lost more than the margin, as shown.
      1          Something is slower, or a template is not as it should be.
      5          Undecided, or a cell of the baseline was not measured.
      3, 4, 130  As trialbed run; 3 also where trials failed.

    Files and environment:
      TRIALBED_STORE   The store, where --store is not given.
      TRIALBED_LEASES  Where this machine's leases are kept.

    Related commands:
      trialbed baseline, trialbed compare, trialbed run
    """
    if (plan is None) == (run_id is None):
        raise click.UsageError("guard takes either a PLAN to run, or --run RUN")
    if as_json and as_markdown:
        raise click.UsageError("--json and --markdown exclude each other")
    if run_id is not None:
        _refuse_beside_run(lab=lab, at=at, until=until, lasting=lasting, quiet=quiet or None)
    from orchestrator.adapters.report.compare_file import check_report_file
    from orchestrator.wiring import guarding

    if junit is not None:
        check_report_file(junit)
    base = guarding.guard_base(store, against)
    if plan is not None:
        run_id = _measured(
            plan,
            base,
            lab=lab,
            accept_changes=accept_changes,
            at=at,
            until=until,
            lasting=lasting,
            store=store,
            per=per,
            quiet=quiet,
            plain=as_json or as_markdown,
        )
    view = guarding.guard_run(run_id or "", base, store, per, accept_changed_files=accept_changes)
    status = _status(view)
    _tell(view, status, as_json=as_json, as_markdown=as_markdown)
    if not (as_json or as_markdown):
        ran = view.view.run
        click.echo(f"\nKept in {ran.location}; look again with: trialbed show {ran.record.id}{store_words(store)}")
    warn(view.problems)
    then = f"; then judge it with: trialbed guard --run {view.compared.new} --against {against}{store_words(store)}"
    say_how_to_go_on(view.view, view.compared.new, store, then)
    if status == FAILED and view.view.run.state == "done":
        warn([f"trials failed, so the exit status is {FAILED}, whatever the others show"])
    if junit is not None:  # the last thing: what could keep it from being written costs none of the above
        _write_junit(junit, view)
    return status


def _write_junit(path: str, view: GuardView) -> None:
    from orchestrator.adapters.report.compare_file import write_report
    from orchestrator.adapters.report.guard_junit import guard_junit

    write_report(path, guard_junit(view.compared, view.view.verdict.templates, baseline=view.baseline))


def _refuse_beside_run(**options: object) -> None:
    """--run measures nothing, so what says how to measure does not go with it."""
    names = {"lasting": "--for", "at": "--at", "until": "--until", "lab": "--lab", "quiet": "--quiet"}
    if given := [names[name] for name, value in options.items() if value is not None]:
        raise click.UsageError(f"{given[0]} says how a plan is run; with --run nothing is")


def _measured(plan: Path, base: Baseline, *, lab: Path | None, store: str, accept_changes: bool, **options: Any) -> str:
    """Run the plan, having told what of the baseline it leaves out; returns the run's id."""
    from orchestrator.wiring import guarding, plans

    loaded = plans.load_plan(plan, lab)
    left = guarding.not_compared(loaded, base, store, accept_changed_files=accept_changes)
    if left:
        cells = f"{len(left)} of baseline {base.name}'s cells"
        warn([f"this run cannot end better than undecided, since it will not be compared in {cells}:", *left])
    return begin(loaded, store=store, **options)


def _status(view: GuardView) -> int:
    """What went wrong with the run comes first; then the verdict."""
    ran = exit_status(view.view)
    return ran if ran in {FAILED, INTERRUPTED} else _STATUSES[view.guarded.outcome]


def _tell(view: GuardView, status: int, *, as_json: bool, as_markdown: bool) -> None:
    found, compared, templates = view.guarded, view.compared, view.view.verdict.templates
    if as_json:
        from orchestrator.adapters.report.guard_text import guard_json

        show_json(guard_json(found, compared, templates, baseline=view.baseline, status=status))
    elif as_markdown:
        from orchestrator.adapters.report.guard_markdown import guard_markdown

        click.echo(guard_markdown(found, compared, templates, baseline=view.baseline), nl=False)
    else:
        from orchestrator.adapters.report.guard_text import render_guard

        show_text(render_guard(found, compared, templates, baseline=view.baseline))
