"""The verb repeat: a colleague's experiment from its bundle, on one's own lab."""

from __future__ import annotations

from pathlib import Path

import click

from orchestrator.cli import completing
from orchestrator.cli.measuring import output_options, time_options
from orchestrator.cli.output import console
from orchestrator.cli.pages import Page


@click.command(cls=Page, short_help="Repeat a colleague's experiment from its bundle.")
@click.argument("bundle", metavar="BUNDLE.zip", type=click.Path(path_type=Path), shell_complete=completing.bundles)
@click.option(
    "--lab",
    required=True,
    type=click.Path(path_type=Path),
    shell_complete=completing.labs,
    help="The lab to measure on: yours.",
)
@click.option("--guest", metavar="NAME", help="Guest of that lab, where none has the name that the original's had.")
@time_options
@output_options
def repeat(
    bundle: Path,
    lab: Path,
    guest: str | None,
    at: str | None,
    until: str | None,
    lasting: str | None,
    store: str,
    per: str,
    *,
    quiet: bool,
    as_json: bool,
) -> int:
    """Repeat the run of BUNDLE.zip on a lab of your own, and set it against the original.

    Cells, their order, seed, durations and the bytes of the workloads are the original's; where it ended as soon as it
    was decided, as many blocks are measured as it took then. The original is put into the store beside the new run, so
    that `trialbed compare` has both. The workloads of a bundle are programs of whoever made it, and they are run in
    your guest (with the driver `here` that is this machine): look at them first, with `trialbed open`.

    At the end it is said, in the terms of ACM's badging, whether the result is repeated (in the same set-up) or
    reproduced (in another), for which cells it is not, and whether the same shapes fit. `trialbed resume` goes on with
    a repetition like with any run.

    Operands:
      BUNDLE.zip  What `trialbed pack` made.

    Examples:
      trialbed repeat ferry-bookings.zip --lab labs/mine.yaml
      trialbed repeat night.zip --lab labs/mine.yaml --at 19:00 --until 06:30
      trialbed repeat night.zip --lab labs/mine.yaml --guest bookings-2

    Exit status:
      0          The result is repeated or reproduced.
      1          A cell differs from the original.
      5          Whether it agrees is open.
      3, 4, 130  As trialbed run.

    Files and environment:
      TRIALBED_STORE   The store, where --store is not given.
      TRIALBED_LEASES  Where this machine's leases are kept.

    Related commands:
      trialbed open, trialbed pack, trialbed compare
    """
    from orchestrator.adapters.local_time import Asked
    from orchestrator.cli.running import conclude
    from orchestrator.wiring import job, repeating

    screen = job.Screen(console(errors=as_json), console(errors=True), per, quiet)
    outcome = repeating.repeat_bundle(bundle, lab, store, screen, guest=guest, asked=Asked(until, lasting, at))
    return conclude(outcome, store, per, as_json=as_json)
