"""The verb that shows who uses a lab's hosts, and breaks what a dead run has left."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli import completing
from orchestrator.cli.output import json_option, show_json, show_text
from orchestrator.cli.pages import Page

if TYPE_CHECKING:
    from collections.abc import Mapping

    from orchestrator.adapters.leases import Board


@click.command(cls=Page, short_help="Show who uses the hosts of a lab, or break a dead run's lease.")
@click.argument("lab", type=click.Path(path_type=Path), shell_complete=completing.labs)
@click.option(
    "--break", "broken", metavar="NAME", multiple=True, help="Break a lease whose holder is dead; repeatable."
)
@click.option("--host", help="The host of the lease, where the lab has several.")
@click.option("--even-if-held", is_flag=True, help="Break it even if its holder is alive: two runs may then meet.")
@json_option
def leases(lab: Path, broken: tuple[str, ...], host: str | None, even_if_held: bool, as_json: bool) -> int:
    """Show who uses the hosts of LAB and the guests on them: owner, run, since when, and whether it is alive.

    A lease is `held` while its run gives signs of life, `stale` when there was none for a minute, and `abandoned` when
    the run ended without giving it back. Look after that run and its guest before you break it.

    Operands:
      LAB  A lab, in YAML.

    Examples:
      trialbed leases plans/labs/here.yaml
      trialbed leases labs/mine.yaml --host bench-1 --break host

    Exit status:
      0  Told, or broken.
      4  A host cannot be asked.

    Files and environment:
      TRIALBED_LEASES  Where this machine's leases are kept; /var/tmp/trialbed-leases where it is not set.

    Related commands:
      trialbed run, trialbed status, trialbed restore
    """
    from orchestrator.adapters.report.leases_text import leases_json, render_leases
    from orchestrator.engine.leased import HostUse
    from orchestrator.wiring import leasing

    boards = leasing.lease_boards(lab)
    if broken:
        host, board = _board(boards, host)
        for name in broken:
            lease = board.break_one(name, even_if_held=even_if_held)
            click.echo(f"broken: {name} on host {host}, of {lease.holder}")
        return 0
    if even_if_held:
        raise click.UsageError("--even-if-held says how to break a lease; name it by --break NAME")
    model = HostUse(remark="it is a model, which every run has for itself: there are no leases")
    uses = {name: board.use() if board else model for name, board in boards.items() if host in {None, name}}
    if not uses:
        raise click.BadParameter(f"the lab has no host {host!r}; it has: {', '.join(boards)}", param_hint="--host")
    if as_json:
        show_json(leases_json(uses))
    else:
        show_text(render_leases(uses))
    return 4 if any(use.trouble is not None for use in uses.values()) else 0


def _board(boards: Mapping[str, Board | None], host: str | None) -> tuple[str, Board]:
    """The one host whose lease is meant."""
    there = {name: board for name, board in boards.items() if board is not None}
    if host is None and len(there) == 1:
        return next(iter(there.items()))
    if host not in there:
        what = "name the lease's host by --host" if host is None else f"host {host!r} has no leases"
        raise click.UsageError(f"{what}; hosts of this lab with leases: {', '.join(there) or 'none'}")
    return host, there[host]
