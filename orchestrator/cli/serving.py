"""The verb that shows a store in a browser."""

from __future__ import annotations

import os
import shlex
import sys
import traceback
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli.exit_status import INTERRUPTED
from orchestrator.cli.output import TRACE, per_option, store_words
from orchestrator.cli.pages import Page
from orchestrator.errors import InputError, Problem

if TYPE_CHECKING:
    from orchestrator.wiring.serving import Page as Served

#: What the extra ``web`` brings.
_NEEDED = ("starlette", "uvicorn", "sse_starlette")
_file = click.Path(path_type=Path, dir_okay=False)


@click.command(cls=Page, short_help="Show the runs of a store in a browser, live.")
@click.argument(
    "store", metavar="[STORE]", type=click.Path(file_okay=False), default="results", envvar="TRIALBED_STORE"
)
@click.option("--address", default="127.0.0.1", show_default=True, help="Address of this machine to listen on.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8017, show_default=True, help="Port to listen on; 0: any free one."
)
@click.option("--token-file", type=_file, metavar="PATH", help="File that holds the token.")
@click.option("--name", "names", multiple=True, metavar="HOST", help="Another name it goes by, as behind a proxy.")
@click.option("--certificate", type=_file, metavar="PATH", help="Certificate for TLS, in PEM.")
@click.option("--key", type=_file, metavar="PATH", help="The certificate's key, where that file does not hold it.")
@per_option
def serve(
    store: str,
    address: str,
    port: int,
    token_file: Path | None,
    names: tuple[str, ...],
    certificate: Path | None,
    key: Path | None,
    per: str,
) -> int:
    """Show the runs of STORE in a browser: all of them, the report of each, and a run in progress as it goes on.

    Ticked runs are set against each other or against a baseline, and cells are followed through all runs.

    The page is for looking: nothing can be started, stopped or changed from it. Ctrl-C ends it.

    It listens on this machine alone. With a token of at least 16 characters it may listen elsewhere as well, and
    whoever looks has to give the token; programs send it in the header `Authorization: Bearer TOKEN`. Of wrong tokens
    from one address ten are answered at once, and then one every three seconds; sessions are not held up by that.

    Operands:
      STORE  Folder of the runs; TRIALBED_STORE or `results` where it is left out.

    Examples:
      trialbed serve
      trialbed serve /srv/results --port 0
      trialbed serve --address 192.0.2.7 --token-file token --certificate page.pem

    Exit status:
      2    It cannot listen there, or the token or certificate cannot be used.
      130  Interrupted (also by SIGTERM and SIGHUP), which is how it ends.

    Files and environment:
      TRIALBED_WEB_TOKEN  The token, where --token-file is not given.
      TRIALBED_STORE      The store, where STORE is left out.
      TRIALBED_TRACE      1: a defect shows where it is.

    Related commands:
      trialbed list, trialbed report, trialbed status, trialbed baseline set
    """
    if missing := [name for name in _NEEDED if find_spec(name) is None]:
        raise _lacking(missing)
    from orchestrator.wiring import serving

    wish = serving.Wish(store, store_words(store), per, address, port, token_file, names, certificate, key)
    page = serving.serving(wish, tell_defect, lambda said: click.echo(f"trialbed: {said}", err=True))
    serving.give_way()
    try:
        page.server.run_to_the_end(lambda: _tell(page))
    except KeyboardInterrupt:
        if not page.server.at_work:
            raise
        undone = "; what was being made for a browser is left undone" if page.server.unfinished else ""
        click.echo(f"trialbed: interrupted{undone}", err=True)
        serving.leave_behind(INTERRUPTED)
    return 0


def _lacking(missing: Sequence[str]) -> InputError:
    from orchestrator.core.design.wording import listed

    install = f"{shlex.quote(sys.executable)} -m pip install 'trialbed[web]'"
    message = f"needs the extra 'web', of which {listed(missing)} cannot be found; install it with: {install}"
    return InputError([Problem("serve", "", message)])


def _tell(page: Served) -> None:
    click.echo(f"Showing the runs at {page.url}")
    for remark in page.remarks:
        click.echo(remark)
    click.echo("Ctrl-C ends it.")


def tell_defect(error: Exception) -> None:
    """Say that an answer failed through a fault of ours, in which texts of whoever asked and of runs may stand."""
    from orchestrator.adapters.report.plain import safe

    if TRACE in os.environ:
        click.echo("".join(traceback.format_exception(error)), err=True, nl=False)
    said = safe(f"{type(error).__name__}: {error}")
    click.echo(f"trialbed: a defect in trialbed itself: {said}; the page is served on; {TRACE}=1 shows where", err=True)
