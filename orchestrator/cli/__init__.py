"""The command ``trialbed``: verbs, options and exit statuses.

Nothing heavy is imported here, so that ``--help`` answers at once; each command imports what it needs when it runs.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from pathlib import Path
from typing import TextIO

import click

from orchestrator import __version__
from orchestrator.adapters.interrupts import heed_no_more
from orchestrator.cli.bundles import open_bundle, pack, unpack
from orchestrator.cli.comparing import compare
from orchestrator.cli.completing import VARIABLE, completion
from orchestrator.cli.guarding import baseline, guard
from orchestrator.cli.history import history
from orchestrator.cli.importing import import_run
from orchestrator.cli.keeping import restore, verify
from orchestrator.cli.leases import leases
from orchestrator.cli.output import TRACE, plain_option
from orchestrator.cli.pages import Pages, help_page
from orchestrator.cli.reading import judge, list_runs, read, schema, show
from orchestrator.cli.repeating import repeat
from orchestrator.cli.reports import report
from orchestrator.cli.running import check, resume, run
from orchestrator.cli.sandboxing import sandbox
from orchestrator.cli.serving import serve
from orchestrator.cli.status import status as status_command
from orchestrator.errors import TrialbedError

WRONG_INPUT, DEFECT, INTERRUPTED = 2, 70, 130
_OUTPUT_LOST = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF})


PARTS: dict[str, tuple[click.Command, ...]] = {
    "Measure": (check, run, status_command, resume, restore, repeat),
    "Look": (list_runs, show, report, serve, verify),
    "Compare": (compare, history, baseline, guard),
    "Exchange": (pack, open_bundle, unpack),
    "What you have already": (judge, read, import_run),
    "Surroundings": (leases, sandbox, schema, completion, help_page),
}


@click.group(
    cls=Pages,
    parts=PARTS,
    params=[plain_option(envvar="TRIALBED_PLAIN")],
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, "-V", "--version", prog_name="trialbed")
def cli() -> None:
    """Measure how many vCPUs a virtual machine needs, and say with evidence which shape fits.

    `trialbed COMMAND --help` has a page for each command.

    Examples:
      trialbed check plans/first.yaml
      trialbed run plans/first.yaml
      trialbed show last

    Exit status:
      0    Done.
      1    The answer is no: a series is not steady, no shape can be recommended, something became slower, a repetition
           differs from its original, a run's files are not as they were written, a guest is not as it was, or the
           sandbox is not up.
      2    Wrong input, or the store cannot be read or written.
      3    Some trials failed, the run gave up, or the guest could not be put back.
      4    The lab cannot be reached or is in use, and nothing was changed; or the sandbox cannot be made here.
      5    Undecided: nothing is shown to be slower, and not everything is shown to be no worse than the margin; or
           whether a repetition agrees with its original is open.
      70   A defect in trialbed itself.
      130  Interrupted (also by SIGTERM and SIGHUP); the guest was put back.

    Files and environment:
      TRIALBED_STORE   The store, where --store is not given.
      TRIALBED_LEASES  Where this machine's leases are kept.
      TRIALBED_PLAIN   1: as if --plain were given.
      TRIALBED_TRACE   1: a defect shows where it is.
      NO_COLOR         Anything: no colours.
      COLUMNS          How wide pages are, instead of the terminal's width.
    """


def main() -> None:
    """Run the command; every known failure is one message on standard error and an exit status."""
    _fill_closed_streams()
    if VARIABLE in os.environ:  # a shell asks: what it shows is what may be typed, and no word beside
        sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - open to the end
    sys.stdout, sys.stderr = _Output.of(sys.stdout), _Output.of(sys.stderr)
    try:
        status = invoke(sys.argv[1:])
    except KeyboardInterrupt:  # a second one, while the first was answered
        status = INTERRUPTED
    heed_no_more()
    sys.exit(status)


class _Output(io.TextIOWrapper):
    """Standard output or error that costs no answer: neither by a character that it has not, nor by who reads it.

    A reader may leave before the end, as ``head`` does. The rest is written nowhere then, and the exit status is that
    of the answer; click and rich would make 1 of it.
    """

    @classmethod
    def of(cls, stream: TextIO) -> TextIO:
        """A stream of this kind in the place of another; one that is no file stays."""
        if not isinstance(stream, io.TextIOWrapper):
            return stream
        encoding, line_buffering = stream.encoding, stream.line_buffering
        return cls(stream.detach(), encoding=encoding, errors="backslashreplace", line_buffering=line_buffering)

    def write(self, text: str) -> int:
        """Write, or not where nobody reads any more."""
        try:
            return super().write(text)
        except BrokenPipeError:
            self._drop()
            return len(text)

    def flush(self) -> None:
        """Flush, likewise."""
        try:
            super().flush()
        except BrokenPipeError:
            self._drop()

    def _drop(self) -> None:
        _write_nowhere(self)
        super().flush()


def invoke(arguments: list[str]) -> int:
    """Run the command line and return its exit status; the help of :func:`cli` tells them."""
    try:
        status = int(cli.main(arguments, prog_name="trialbed", standalone_mode=False) or 0)
    except click.exceptions.Exit as end:
        status = end.exit_code
    except click.ClickException as error:
        error.show()
        status = WRONG_INPUT
    except (click.Abort, KeyboardInterrupt):
        click.echo("trialbed: interrupted", err=True)
        status = INTERRUPTED
    except TrialbedError as error:
        click.echo(f"trialbed: {error}", err=True)
        status = error.exit_status
    except OSError as error:
        # Files are read and written by name, and their errors are told where they arise; what is left is the output.
        if error.errno not in _OUTPUT_LOST or error.filename is not None:
            status = _defect(error)
        else:
            _write_nowhere(sys.stdout)
            click.echo(f"trialbed: the output cannot be written: {error.strerror}", err=True)
            status = WRONG_INPUT
    except Exception as error:  # noqa: BLE001 - the last line of defence: the trace is one variable away
        status = _defect(error)
    return status


def _defect(error: Exception) -> int:
    """A defect of ours: one line for whoever only wants to work, the trace for whoever mends it."""
    if TRACE in os.environ:
        raise error
    click.echo(
        f"trialbed: a defect in trialbed itself: {type(error).__name__}: {error}; {TRACE}=1 shows where", err=True
    )
    return DEFECT


def _fill_closed_streams() -> None:
    """Python has None for a standard stream that was closed before the start; an empty one will do as well."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end


def _write_nowhere(stream: TextIO) -> None:
    """Send nowhere what a stream would still write, also at exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
