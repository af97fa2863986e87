"""The verbs for what a run keeps: its files as they were written, its guests as they were, and putting them back."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli.output import json_option, show_json, show_text, store_option

DIFFERS, UNREACHABLE = 1, 4


@click.command(short_help="Put the guests of a run back as they were, or compare.")
@click.argument("run_id", metavar="RUN")
@click.option("--check", is_flag=True, help="Compare only; touch nothing.")
@click.option("--lab", type=click.Path(path_type=Path), help="Use this lab: the run's own may name paths elsewhere.")
@store_option
@json_option
def restore(run_id: str, check: bool, lab: Path | None, store: str, as_json: bool) -> int:
    """Put every guest of RUN back as it was before the run: definition and power state.

    RUN is a run's id, the beginning of one, `last`, or the path of its folder; a copy of that folder on another machine
    will do, read-only as well. A guest that is as it was is not touched, so this may be repeated. The run itself may be
    resumed afterwards. While the run goes on, this refuses.

    With --check the exit status is 0 where all are as they were, 1 where one is not, 4 where a host cannot be asked.

    \b
    Examples:
      trialbed restore last --check
      trialbed restore last
      trialbed restore /mnt/copy/20261128T180012Z-night-3f1c --lab labs/mine.yaml
    """
    from orchestrator.adapters.report.restore_text import render_check, render_restored, restore_json
    from orchestrator.wiring import putting_back

    if not check:
        stored, done = putting_back.restore_run(
            run_id, store, lab, lambda text: click.echo(f"trialbed: {text}", err=True)
        )
        if as_json:
            show_json(restore_json(stored.record.id, done))
        else:
            show_text(render_restored(stored.record.id, done))
        return 0
    stored, found = putting_back.check_restored(run_id, store, lab)
    if as_json:
        show_json(restore_json(stored.record.id, found))
    else:
        show_text(render_check(stored.record.id, found))
    states = {guest.found for guest in found}
    return UNREACHABLE if "unknown" in states else DIFFERS if "differs" in states else 0


@click.command(short_help="Check every file of a run.")
@click.argument("run_id", metavar="RUN")
@store_option
@json_option
def verify(run_id: str, store: str, as_json: bool) -> int:
    """Check every file of RUN (an id, the beginning of one, `last`, or the path of its folder) against its digest.

    What was changed, damaged, lost or added is named, each with what it means and what to do; nothing is touched.
    The exit status is 0 where nothing is wrong, 1 where something is.

    \b
    Examples:
      trialbed verify last
      trialbed verify /srv/results/20260801T101112Z-ferry-3f1c --json
    """
    from orchestrator.adapters.report.verify_text import render_verified, verified_json
    from orchestrator.wiring import views

    verified = views.verified(run_id, store)
    if as_json:
        show_json(verified_json(verified))
    else:
        show_text(render_verified(verified))
    return DIFFERS if verified.findings else 0
