"""The verbs for what a run keeps: its files as they were written, its guests as they were, and putting them back."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli import completing
from orchestrator.cli.output import json_option, show_json, show_text, store_option, warn
from orchestrator.cli.pages import Page

DIFFERS, UNREACHABLE = 1, 4


@click.command(cls=Page, short_help="Put the guests of a run back as they were, or compare.")
@click.argument("run_id", metavar="RUN", shell_complete=completing.runs)
@click.option("--check", is_flag=True, help="Compare only; touch nothing.")
@click.option(
    "--lab",
    type=click.Path(path_type=Path),
    shell_complete=completing.labs,
    help="Use this lab: the run's own may name paths elsewhere.",
)
@store_option
@json_option
def restore(run_id: str, check: bool, lab: Path | None, store: str, as_json: bool) -> int:
    """Put every guest of RUN back as it was before the run: definition and power state.

    A guest that is as it was is not touched, so this may be repeated. A copy of the run's folder on another machine
    will do, read-only as well. The run itself may be resumed afterwards. While the run is in progress, this refuses;
    --check tells that the guests are in its hands.

    Operands:
      RUN  A run's id, the beginning of one, `last`, or the path of its folder.

    Examples:
      trialbed restore last --check
      trialbed restore last
      trialbed restore /mnt/copy/20261128T180012Z-night-3f1c --lab labs/mine.yaml

    Exit status:
      0  All guests are as they were.
      1  With --check: one is not.
      3  One could not be put back.
      4  A host cannot be asked.

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.

    Related commands:
      trialbed status, trialbed resume
    """
    from orchestrator.adapters.report.restore_text import render_check, render_restored, restore_json
    from orchestrator.wiring import putting_back

    def say(text: str) -> None:
        warn([text])

    if not check:
        stored, done = putting_back.restore_run(run_id, store, lab, say)
        if as_json:
            show_json(restore_json(stored.record.id, done))
        else:
            show_text(render_restored(stored.record.id, done))
        return 0
    stored, found = putting_back.check_restored(run_id, store, lab, say)
    if as_json:
        show_json(restore_json(stored.record.id, found))
    else:
        show_text(render_check(stored.record.id, found))
    states = {guest.found for guest in found}
    return UNREACHABLE if "unknown" in states else DIFFERS if "differs" in states else 0


@click.command(cls=Page, short_help="Check every file of a run.")
@click.argument("run_id", metavar="RUN", shell_complete=completing.runs)
@store_option
@json_option
def verify(run_id: str, store: str, as_json: bool) -> int:
    """Check every file of RUN against its digest.

    What was changed, damaged, lost or added is named, each with what it means and what to do; nothing is touched.

    Operands:
      RUN  A run's id, the beginning of one, `last`, or the path of its folder.

    Examples:
      trialbed verify last
      trialbed verify /srv/results/20260801T101112Z-ferry-3f1c --json

    Exit status:
      0  Nothing is wrong.
      1  Something is.

    Files and environment:
      TRIALBED_STORE  The store, where --store is not given.
      SHA256SUMS      In the run's folder: the digests, as sha256sum checks them.

    Related commands:
      trialbed show, trialbed pack
    """
    from orchestrator.adapters.report.verify_text import render_verified, verified_json
    from orchestrator.wiring import views

    verified = views.verified(run_id, store)
    if as_json:
        show_json(verified_json(verified))
    else:
        show_text(render_verified(verified))
    return DIFFERS if verified.findings else 0
